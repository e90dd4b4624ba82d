"""Area, centre of mass and perimeter of closed contours.

Every function exists for all contours of a run (``contour_...``, arrays of one value per frame) and for one
polygon (``polygon_...``). A contour with fewer than three vertices encloses nothing: NaN. Coordinates are
pixels with whole numbers at pixel centres; each axis is scaled by its own mm per pixel, so non-square pixels are
exact. The orientation of the vertices does not matter, and contours need not be convex; they must not cross
themselves (see `contours_are_simple`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import Calibration, Contours, FloatArray, IntArray

_FRAMES_AT_ONCE = 250


@compiled
def moments(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Signed area and centre of mass of ragged polygons, shape (n, 3), in the units of `xy`; NaN without area.

    Green's theorem on triangles from the first vertex (large coordinates then cost no digits).
    """
    n_polygons = len(offsets) - 1
    out = np.full((n_polygons, 3), np.nan)
    for polygon in range(n_polygons):
        start, stop = offsets[polygon], offsets[polygon + 1]
        if stop - start < 3:
            continue
        x0, y0 = xy[start, 0], xy[start, 1]
        twice, first_x, first_y = 0.0, 0.0, 0.0
        for i in range(start + 1, stop - 1):
            ax, ay = xy[i, 0] - x0, xy[i, 1] - y0
            bx, by = xy[i + 1, 0] - x0, xy[i + 1, 1] - y0
            cross = ax * by - bx * ay
            twice += cross
            first_x += cross * (ax + bx)
            first_y += cross * (ay + by)
        out[polygon, 0] = 0.5 * twice
        if twice != 0.0:
            out[polygon, 1] = x0 + first_x / (3.0 * twice)
            out[polygon, 2] = y0 + first_y / (3.0 * twice)
    return out


@compiled
def _perimeters(xy: FloatArray, offsets: IntArray, mm_per_px: FloatArray) -> FloatArray:
    n_polygons = len(offsets) - 1
    out = np.full(n_polygons, np.nan)
    for polygon in range(n_polygons):
        start, stop = offsets[polygon], offsets[polygon + 1]
        if stop - start < 3:
            continue
        total = 0.0
        previous = stop - 1
        for i in range(start, stop):
            dx = (xy[i, 0] - xy[previous, 0]) * mm_per_px[0]
            dy = (xy[i, 1] - xy[previous, 1]) * mm_per_px[1]
            total += np.sqrt(dx * dx + dy * dy)
            previous = i
        out[polygon] = total
    return out


def ragged(contours: Contours) -> Iterator[tuple[FloatArray, IntArray]]:
    """Contours in the form of the kernels, some hundred frames at a time: vertices and offsets.

    In float64 only, so each kernel compiles once; never a whole run of it, so memory does not grow with the run.
    """
    for first in range(0, max(contours.n_frames, 1), _FRAMES_AT_ONCE):
        offsets = contours.offsets[first : first + _FRAMES_AT_ONCE + 1]
        yield contours.xy_px[offsets[0] : offsets[-1]].astype(np.float64), offsets - offsets[0]


def one(polygon_px: FloatArray) -> tuple[FloatArray, IntArray]:
    """One polygon in the same form: vertices and offsets."""
    vertices = np.ascontiguousarray(polygon_px, dtype=np.float64).reshape(-1, 2)
    return vertices, np.array([0, len(vertices)], dtype=np.int64)


def contour_areas_mm2(contours: Contours, calibration: Calibration) -> FloatArray:
    """Area inside each contour, shape (n_frames,), in mm2 (shoelace formula)."""
    return np.abs(_moments_of(contours)[:, 0]) * _mm2_per_px(calibration)


def polygon_area_mm2(polygon_px: FloatArray, calibration: Calibration) -> float:
    """Area inside one polygon of shape (n, 2), in mm2."""
    return float(abs(moments(*one(polygon_px))[0, 0]) * _mm2_per_px(calibration))


def contour_centroids_px(contours: Contours) -> FloatArray:
    """Centre of mass of the area inside each contour, shape (n_frames, 2): x, y in pixels.

    The same point in pixels and in millimetres: scaling the axes carries a centre of mass along.
    """
    return _moments_of(contours)[:, 1:]


def polygon_centroid_px(polygon_px: FloatArray) -> FloatArray:
    """Centre of mass of the area inside one polygon, shape (2,): x, y in pixels."""
    return moments(*one(polygon_px))[0, 1:]


def contour_perimeters_mm(contours: Contours, calibration: Calibration) -> FloatArray:
    """Length of each contour, shape (n_frames,), in mm."""
    return np.concatenate([_perimeters(*part, calibration.mm_per_px) for part in ragged(contours)])


def polygon_perimeter_mm(polygon_px: FloatArray, calibration: Calibration) -> float:
    """Length of one closed polygon, in mm."""
    return float(_perimeters(*one(polygon_px), calibration.mm_per_px)[0])


def _moments_of(contours: Contours) -> FloatArray:
    return np.concatenate([moments(*part) for part in ragged(contours)])


def _mm2_per_px(calibration: Calibration) -> float:
    return calibration.mm_per_px_x * calibration.mm_per_px_y
