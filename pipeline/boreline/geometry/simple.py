"""Does a contour cross itself; and the same contour with another number of vertices."""

from __future__ import annotations

import numpy as np

from boreline.errors import GeometryError
from boreline.geometry.compiled import compiled
from boreline.geometry.measures import moments, one, ragged
from boreline.model import BoolArray, Calibration, Contours, FloatArray, IntArray


@compiled
def _side(ax: float, ay: float, bx: float, by: float, px: float, py: float) -> float:
    return (bx - ax) * (py - ay) - (by - ay) * (px - ax)


@compiled
def _between(ax: float, ay: float, bx: float, by: float, px: float, py: float) -> bool:
    return min(ax, bx) <= px <= max(ax, bx) and min(ay, by) <= py <= max(ay, by)


@compiled
def _segments_meet(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> bool:
    """Segments ab and cd share a point (touching counts)."""
    if min(a[0], b[0]) > max(c[0], d[0]) or min(c[0], d[0]) > max(a[0], b[0]):
        return False
    if min(a[1], b[1]) > max(c[1], d[1]) or min(c[1], d[1]) > max(a[1], b[1]):
        return False
    c_side = _side(a[0], a[1], b[0], b[1], c[0], c[1])
    d_side = _side(a[0], a[1], b[0], b[1], d[0], d[1])
    a_side = _side(c[0], c[1], d[0], d[1], a[0], a[1])
    b_side = _side(c[0], c[1], d[0], d[1], b[0], b[1])
    if c_side * d_side < 0.0 and a_side * b_side < 0.0:
        return True
    return (
        (c_side == 0.0 and _between(a[0], a[1], b[0], b[1], c[0], c[1]))
        or (d_side == 0.0 and _between(a[0], a[1], b[0], b[1], d[0], d[1]))
        or (a_side == 0.0 and _between(c[0], c[1], d[0], d[1], a[0], a[1]))
        or (b_side == 0.0 and _between(c[0], c[1], d[0], d[1], b[0], b[1]))
    )


@compiled
def _goes_round_once(p: FloatArray, x: float, y: float) -> bool:
    """Every edge turns the same way about (x, y) and the turns add up to one: such a polygon is simple."""
    total, sign = 0.0, 0.0
    n = len(p)
    for i in range(n):
        j = (i + 1) % n
        ax, ay, bx, by = p[i, 0] - x, p[i, 1] - y, p[j, 0] - x, p[j, 1] - y
        cross = ax * by - ay * bx
        if cross == 0.0 or cross * sign < 0.0:
            return False
        sign = cross
        total += np.arctan2(cross, ax * bx + ay * by)
    return abs(abs(total) - 2.0 * np.pi) < 0.1


@compiled
def _is_simple(p: FloatArray) -> bool:
    n = len(p)
    for i in range(n):
        following = (i + 1) % n
        if p[i, 0] == p[following, 0] and p[i, 1] == p[following, 1]:
            return False
        after = (i + 2) % n
        # Neighbouring edges share a vertex; they also overlap when the contour turns straight back.
        side = _side(p[i, 0], p[i, 1], p[following, 0], p[following, 1], p[after, 0], p[after, 1])
        back = (p[following, 0] - p[i, 0]) * (p[after, 0] - p[following, 0]) + (p[following, 1] - p[i, 1]) * (
            p[after, 1] - p[following, 1]
        )
        if side == 0.0 and back <= 0.0:
            return False
    for i in range(n):
        for j in range(i + 2, n):
            if i == 0 and j == n - 1:
                continue
            if _segments_meet(p[i], p[(i + 1) % n], p[j], p[(j + 1) % n]):
                return False
    return True


@compiled
def _simple(xy: FloatArray, offsets: IntArray) -> BoolArray:
    n_polygons = len(offsets) - 1
    out = np.zeros(n_polygons, dtype=np.bool_)
    centres = moments(xy, offsets)
    for polygon in range(n_polygons):
        if not np.isfinite(centres[polygon, 1]):
            continue
        vertices = xy[offsets[polygon] : offsets[polygon + 1]]
        out[polygon] = _goes_round_once(vertices, centres[polygon, 1], centres[polygon, 2]) or _is_simple(vertices)
    return out


def contours_are_simple(contours: Contours) -> BoolArray:
    """Shape (n_frames,): the contour encloses an area and neither crosses nor touches itself (false without one)."""
    return np.concatenate([_simple(*part) for part in ragged(contours)])


def require_simple_polygon(polygon_px: FloatArray, what: str = "the contour") -> FloatArray:
    """The polygon as float64 (n, 2), checked.

    Raises
    ------
    GeometryError
        It has another shape, fewer than three vertices, a vertex that is not finite, no area, or it crosses itself.
    """
    polygon = np.asarray(polygon_px, dtype=np.float64)
    if polygon.ndim != 2 or polygon.shape[1] != 2 or len(polygon) < 3:
        raise GeometryError(f"{what} needs at least three (x, y) vertices; draw it again")
    if not np.isfinite(polygon).all():
        raise GeometryError(f"{what} has a vertex that is no finite number; draw it again")
    if not _simple(*one(polygon))[0]:
        raise GeometryError(f"{what} crosses itself or encloses no area; draw it again")
    return polygon


def resample_polygon_px(polygon_px: FloatArray, n_vertices: int, calibration: Calibration) -> FloatArray:
    """The closed polygon with `n_vertices` vertices at equal steps of its length in mm, shape (n_vertices, 2).

    The first vertex stays. Corners between two new vertices are cut: a circle loses ``(2 pi^2 / 3) / n^2`` of its area.
    """
    closed = np.vstack([polygon_px, polygon_px[:1]]).astype(np.float64)
    steps_mm = np.hypot(*(np.diff(closed, axis=0) * calibration.mm_per_px).T)
    along_mm = np.concatenate([[0.0], np.cumsum(steps_mm)])
    wanted_mm = along_mm[-1] * np.arange(n_vertices) / n_vertices
    return np.column_stack([np.interp(wanted_mm, along_mm, closed[:, axis]) for axis in (0, 1)])
