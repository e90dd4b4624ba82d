"""A border through an operator's points: exact there, unchanged outside a window of angles about them.

Inside the window radii about the centre of mass are multiplied by a factor that falls smoothly to 1. Since the factor
lies on the point's side of 1 everywhere, the enclosed region only grows when the border is pushed out and only shrinks
when it is pushed in. Points that were placed before hold: the window ends at them, unless they lie so close that the
new point replaces them. With a picture, `arcs` then looks for the border near the one bent so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from boreline.correction.arcs import WINDOW_SHARE, LogFactor, solved_arc
from boreline.correction.border import OPERATOR, TURN, Border, Polar, angle_of, is_simple, join
from boreline.errors import InputRefused
from boreline.model import FloatArray, GreyImage

WINDOW_DEG = 30.0
"""Half-width for a small push; a push by half the radius or more takes twice as much (own choice)."""
SPAN_DEG = 60.0
"""Points of one edit that are closer than this hold the arc between them."""
REPLACED_DEG = 8.0
"""An earlier point this close gives way to the new one."""
_FINEST_DEG = 3.0
_N_NEW = 128


def through_points(
    border: Border, points: FloatArray, *, grey: GreyImage | None = None, mm_per_px: FloatArray | None = None
) -> Border:
    """`border` through `points` (n, 2), same unit.

    Parameters
    ----------
    grey, mm_per_px
        The frame's picture, for a border in millimetres; without one geometry alone decides.

    Raises
    ------
    InputRefused
        There is no border and fewer than three points, or a point lies at the border's centre.
    """
    if len(border) == 0:
        return _new_border(points)
    polar = Polar.of(border)
    if polar is None:
        for point in points:
            border = _nudge(border, point)
        return border
    return _push(polar, points, grey, mm_per_px)


def _push(polar: Polar, points: FloatArray, grey: GreyImage | None, mm_per_px: FloatArray | None) -> Border:
    reach = np.hypot(*(points - polar.apex).T)
    if np.any(reach < 1e-6 * polar.radius.max()):
        raise InputRefused("the point lies at the middle of the contour", remedy="draw the border as a stroke")
    angles = angle_of(points, polar.apex)
    order = np.argsort(np.mod(angles, TURN), kind="stable")
    angles, points, reach = np.mod(angles[order], TURN), points[order], reach[order]
    apart = np.diff(angles, append=angles[0] + TURN) > 1e-7
    if len(angles) > 1:
        angles, points, reach = angles[apart], points[apart], reach[apart]
    log_push = np.log(reach / polar.radius_at(angles))
    held = _held_angles(polar, angles)
    knots = np.concatenate([angles, held])
    pushes = np.concatenate([log_push, np.zeros(len(held))])
    order = np.argsort(knots, kind="stable")
    knots, pushes = knots[order], pushes[order]
    reach_rad = _window_rad(log_push) * (1.0 if grey is None else WINDOW_SHARE)

    def bent(at: FloatArray) -> FloatArray:
        return window_factor(np.mod(at, TURN), knots, pushes, reach_rad)

    factor_at: LogFactor = bent
    if grey is not None and mm_per_px is not None:
        factor_at = solved_arc(grey, polar, mm_per_px, knots, pushes, bent)
    fine = np.arange(0.0, TURN, np.radians(_FINEST_DEG))
    fine = fine[(factor_at(fine) != 0.0) & (polar.gap_at(fine) > np.radians(_FINEST_DEG))]
    denser = polar.with_angles(np.concatenate([angles, fine]))
    moved = denser.stretched(factor_at(denser.angle)).border
    return _with_exact(moved, denser.angle, angles, points)


def _window_rad(log_push: FloatArray) -> float:
    if len(log_push) > 1:
        return float(np.radians(SPAN_DEG))
    return float(np.radians(WINDOW_DEG) * (1.0 + min(1.0, abs(float(log_push[0])) / np.log(2.0))))


def _held_angles(polar: Polar, angles: FloatArray) -> FloatArray:
    """Angles of earlier points that hold: not so close to a new one that it replaces them."""
    earlier = np.mod(polar.angle[polar.border.origin == OPERATOR], TURN)
    distance = np.abs(np.mod(earlier[:, None] - angles[None, :] + np.pi, TURN) - np.pi)
    return np.asarray(earlier[np.all(distance > np.radians(REPLACED_DEG), axis=1)])


def window_factor(at: FloatArray, knots: FloatArray, values: FloatArray, reach_rad: float) -> FloatArray:
    """Smooth function round the circle that takes `values` at `knots` (rising, in [0, 2 pi)) and decays from each.

    A raised cosine falls from each knot to 0 within `reach_rad`, or at the next knot where that comes first. The
    result never leaves the range of the two neighbouring values and 0.
    """
    index = np.searchsorted(knots, at, side="right")
    before, after = (index - 1) % len(knots), index % len(knots)
    since, until = np.mod(at - knots[before], TURN), np.mod(knots[after] - at, TURN)
    gap = np.mod(knots[after] - knots[before], TURN)
    gap = np.where(gap == 0.0, TURN, gap)
    fall = np.minimum(gap, reach_rad)
    return np.asarray(
        values[before] * _cosine(since / fall) + np.where(since > 0, values[after], 0.0) * _cosine(until / fall)
    )


def _cosine(x: FloatArray) -> FloatArray:
    return np.where(x < 1.0, 0.5 * (1.0 + np.cos(np.pi * np.minimum(x, 1.0))), 0.0)


def _with_exact(border: Border, vertex_angle: FloatArray, angles: FloatArray, points: FloatArray) -> Border:
    """The vertices at the points' angles put exactly on the points and marked as the operator's."""
    xy, seen, origin = border.xy.copy(), border.seen.copy(), border.origin.copy()
    apart = np.abs(np.mod(vertex_angle[None, :] - angles[:, None] + np.pi, TURN) - np.pi)
    nearest = np.argmin(apart, axis=1)
    xy[nearest], seen[nearest], origin[nearest] = points, True, OPERATOR
    return Border(xy, seen, origin)


def _new_border(points: FloatArray) -> Border:
    """A smooth closed curve through at least three points about their mean."""
    if len(points) < 3:
        raise InputRefused("this frame has no such contour yet", remedy="set at least three points or draw it")
    from scipy.interpolate import CubicSpline

    apex = points.mean(axis=0)
    angles = np.mod(angle_of(points, apex), TURN)
    order = np.argsort(angles)
    angles, points = angles[order], points[order]
    log_radius = np.log(np.hypot(*(points - apex).T))
    gaps = np.diff(angles, append=angles[0] + TURN)
    if gaps.min() < 1e-6 or gaps.max() >= np.pi:
        raise InputRefused("the points do not go round", remedy="set them all round the border or draw it")
    spline = CubicSpline(np.append(angles, angles[0] + TURN), np.append(log_radius, log_radius[0]), bc_type="periodic")
    fine = TURN * np.arange(_N_NEW) / _N_NEW
    apart = np.abs(np.mod(fine[:, None] - angles[None, :] + np.pi, TURN) - np.pi).min(axis=1)
    fine = fine[apart > 1e-3]
    between = Border.drawn(
        apex
        + np.exp(spline(np.where(fine < angles[0], fine + TURN, fine)))[:, None]
        * np.column_stack([np.cos(fine), np.sin(fine)])
    )
    between = replace(between, origin=np.zeros(len(fine), dtype=np.uint8))
    both = join(between, Border.drawn(points))
    return both.take(np.argsort(np.concatenate([fine, angles]), kind="stable"))


def _nudge(border: Border, point: FloatArray) -> Border:
    """One point on a border that rays meet more than once: the piece nearest to it follows, in a window of length."""
    if border.area < 0:
        border = border.take(np.arange(len(border))[::-1])
    edge, t, foot = nearest_on(border.xy, point)
    if np.hypot(*(point - foot)) < 1e-9:
        return border
    outward = not _inside(border.xy, point)
    steps = np.hypot(*(np.roll(border.xy, -1, axis=0) - border.xy).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    perimeter = along[-1]
    apart = np.mod(along[:-1] - (along[edge] + t * steps[edge]), perimeter)
    apart = np.minimum(apart, perimeter - apart)
    reach = perimeter * WINDOW_DEG / 360.0
    for _ in range(10):
        xy = border.xy + _cosine(apart / reach)[:, None] * (point - foot)
        moved = _insert(replace(border, xy=xy), edge, t, point)
        right_way = moved.area >= border.area if outward else 0 < moved.area <= border.area
        if right_way and is_simple(moved.xy):
            return moved
        reach /= 2.0
    raise InputRefused("the contour cannot pass there without crossing itself", remedy="draw the border as a stroke")


def _insert(border: Border, edge: int, t: float, point: FloatArray) -> Border:
    """The point as a vertex on an edge, or in place of the edge's end where the foot is that end."""
    order = np.arange(len(border))
    if t in (0.0, 1.0):
        there = (edge + int(t)) % len(border)
        return join(border.take(order[:there]), Border.drawn(point[None, :]), border.take(order[there + 1 :]))
    return join(border.take(order[: edge + 1]), Border.drawn(point[None, :]), border.take(order[edge + 1 :]))


def nearest_on(xy: FloatArray, point: FloatArray) -> tuple[int, float, FloatArray]:
    """The place on a closed polygon nearest to a point: edge, fraction along it, coordinates."""
    step = np.roll(xy, -1, axis=0) - xy
    length2 = np.maximum((step**2).sum(axis=1), 1e-30)
    t = np.clip(((point - xy) * step).sum(axis=1) / length2, 0.0, 1.0)
    feet = xy + t[:, None] * step
    edge = int(np.argmin(((feet - point) ** 2).sum(axis=1)))
    return edge, float(t[edge]), feet[edge]


def _inside(xy: FloatArray, point: FloatArray) -> bool:
    a, b = xy - point, np.roll(xy, -1, axis=0) - point
    turns = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)).sum() / TURN
    return bool(round(float(turns)) != 0)
