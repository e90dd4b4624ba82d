"""A stroke that is the border: it replaces the arc that it runs along, or the whole contour when it is closed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from boreline.correction.border import TURN, Border, Polar, angle_of, is_simple, join
from boreline.correction.points import nearest_on
from boreline.errors import InputRefused
from boreline.model import FloatArray

JOIN_SHARE = 0.06
"""Over this share of the perimeter the kept arc bends towards each end of the stroke."""
_BEND_DEG = 12.0
_N_COMPARED = 32
_DRAW_AGAIN = "draw it again"


def along_stroke(border: Border, stroke: FloatArray, *, closed: bool) -> Border:
    """`border` with `stroke` (n, 2) in place of the arc beside it; every point of the stroke becomes a vertex.

    Raises
    ------
    InputRefused
        The stroke crosses itself or what is left of the border, or there is no border to complete it.
    """
    drawn = Border.drawn(stroke[_moves(stroke, closed=closed)])
    if closed:
        if len(drawn) < 3 or not is_simple(drawn.xy):
            raise InputRefused("the stroke crosses itself or encloses no area", remedy=_DRAW_AGAIN)
        return drawn
    if len(border) == 0:
        raise InputRefused("this frame has no such contour yet", remedy="draw all of it as one closed stroke")
    if len(drawn) < 2:
        raise InputRefused("the stroke has no length", remedy=_DRAW_AGAIN)
    for candidate in _candidates(border, drawn):
        if is_simple(candidate.xy):
            return candidate
    raise InputRefused("the stroke crosses itself or the rest of the contour", remedy=_DRAW_AGAIN)


def bridged(border: Border, start: FloatArray, end: FloatArray) -> Border:
    """`border` bridged smoothly, and marked as not seen, between the rays through `start` and `end` (growing angle).

    Raises
    ------
    InputRefused
        The border is absent or too folded to be bridged by angle, or less than a quarter of it would be left.
    """
    polar = Polar.of(border)
    if polar is None:
        raise InputRefused("this contour cannot be bridged by angle", remedy="draw the missing arc as a stroke")
    first = float(angle_of(start[None, :], polar.apex)[0])
    span = float(np.mod(angle_of(end[None, :], polar.apex)[0] - first, TURN))
    if not 0.0 < span <= 0.75 * TURN:
        raise InputRefused("a bridge spans up to 270 degrees", remedy="draw the contour instead")
    inner = first + span * np.linspace(0.0, 1.0, max(5, int(np.degrees(span) / 3.0)))
    denser = polar.with_angles(inner)
    bend = np.radians(_BEND_DEG)
    outside = np.array([-2.0, -1.0, 0.0])
    knots = np.concatenate([first + bend * outside, first + span - bend * outside[::-1]])
    curve = PchipInterpolator(knots, np.log(polar.radius_at(knots)))
    apart = np.mod(denser.angle - first + 1e-9, TURN)
    within = apart <= span + 2e-9
    wanted = np.where(within, curve(np.clip(first + apart, knots[0], knots[-1])), 0.0)
    moved = denser.stretched(np.where(within, wanted - np.log(denser.radius), 0.0)).border
    return replace(moved, seen=moved.seen & ~within)


def _moves(stroke: FloatArray, *, closed: bool) -> np.ndarray:
    """True for points that differ from the one before; a closed stroke does not repeat its first point."""
    kept = np.concatenate([[True], np.any(np.diff(stroke, axis=0) != 0.0, axis=1)])
    if closed and len(stroke) > 1 and np.all(stroke[-1] == stroke[0]):
        kept[-1] = False
    return kept


@dataclass(frozen=True, slots=True)
class _Foot:
    """A place on a closed polygon by length."""

    edge: int
    along: float
    xy: FloatArray


def _candidates(border: Border, drawn: Border) -> Iterator[Border]:
    """Ways to close the stroke with the rest of the border, most plausible first."""
    steps = np.hypot(*(np.roll(border.xy, -1, axis=0) - border.xy).T)
    starts = np.concatenate([[0.0], np.cumsum(steps)])
    perimeter = float(starts[-1])

    def foot(point: FloatArray) -> _Foot:
        edge, t, xy = nearest_on(border.xy, point)
        return _Foot(edge, float(starts[edge] + t * steps[edge]), xy)

    first, last = foot(drawn.xy[0]), foot(drawn.xy[-1])
    backwards = drawn.take(np.arange(len(drawn))[::-1])
    ways = [(drawn, first, last), (backwards, last, first)]
    distances = [_distance(border, starts, way) for way in ways]
    for index in np.argsort(distances, kind="stable"):
        stroke, begin, end = ways[int(index)]
        kept, since_end, until_begin = _kept(border, starts[:-1], begin, end, perimeter)
        reach = min(JOIN_SHARE * perimeter, (perimeter - float(np.mod(end.along - begin.along, perimeter))) / 3.0)
        if reach > 0 and len(kept):
            bend = _fall(since_end / reach)[:, None] * (stroke.xy[-1] - end.xy)
            bend = bend + _fall(until_begin / reach)[:, None] * (stroke.xy[0] - begin.xy)
            yield join(stroke, replace(kept, xy=kept.xy + bend))
        yield join(stroke, kept)


def _kept(
    border: Border, along: FloatArray, begin: _Foot, end: _Foot, perimeter: float
) -> tuple[Border, FloatArray, FloatArray]:
    """Vertices from `end` forwards to `begin`, with their distances from both."""
    since_end = np.mod(along - end.along, perimeter)
    left = np.mod(begin.along - end.along, perimeter)
    inside = np.flatnonzero((since_end > 1e-9) & (since_end < left - 1e-9))
    inside = inside[np.argsort(since_end[inside], kind="stable")]
    return border.take(inside), since_end[inside], left - since_end[inside]


def _distance(border: Border, starts: FloatArray, way: tuple[Border, _Foot, _Foot]) -> float:
    """Mean distance between the stroke and the arc that it would replace."""
    stroke, begin, end = way
    share = np.linspace(0.0, 1.0, _N_COMPARED)
    span = float(np.mod(end.along - begin.along, starts[-1]))
    at = np.mod(begin.along + share * span, starts[-1])
    closed = np.vstack([border.xy, border.xy[:1]])
    arc = np.column_stack([np.interp(at, starts, closed[:, axis]) for axis in (0, 1)])
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(stroke.xy, axis=0).T))])
    line = np.column_stack([np.interp(share * lengths[-1], lengths, stroke.xy[:, axis]) for axis in (0, 1)])
    return float(np.hypot(*(arc - line).T).mean())


def _fall(x: FloatArray) -> FloatArray:
    return np.where(x < 1.0, 0.5 * (1.0 + np.cos(np.pi * np.minimum(x, 1.0))), 0.0)
