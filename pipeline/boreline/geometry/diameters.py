"""Shortest and longest chord of a contour through its own centre of mass, exactly.

These are the diameters of the trade (not Feret diameters, and not chords through the catheter). A chord is the
stretch of a line that contains the centre of mass and lies inside the contour, so a fold that the line meets
farther out does not count. A contour whose centre of mass lies outside itself (a crescent) has none: NaN.

Between two neighbouring vertex directions the chord ends on the same two edges, and its length is
``p / cos(t - u) + q / cos(t - v)``, a convex function of the direction t. So the longest chord points to a vertex,
and the shortest is found by bisection where the slope changes sign: no grid of angles is involved.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.geometry.measures import moments, one, ragged
from boreline.model import Calibration, Contours, FloatArray, IntArray

_HALF_TURN = np.pi
_TURN = 2.0 * np.pi
_BISECTIONS = 40


@compiled
def _edges(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each edge, from vertex i to the next one, as a vector, and the cross product of its start with it."""
    n = len(x)
    along_x, along_y, across = np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):
        j = (i + 1) % n
        along_x[i], along_y[i] = x[j] - x[i], y[j] - y[i]
        across[i] = x[i] * along_y[i] - y[i] * along_x[i]
    return along_x, along_y, across


@compiled
def _chord(
    edge_a: int, edge_b: int, cosine: float, sine: float, along_x: FloatArray, along_y: FloatArray, across: FloatArray
) -> tuple[float, float]:
    """Length of the chord in a direction that ends on two edges, and its derivative by the angle.

    ``across / (direction x edge)`` is the distance of an edge's line from the origin in a direction.
    """
    length, slope = 0.0, 0.0
    for edge, sense in ((edge_a, 1.0), (edge_b, -1.0)):
        away = sense * (cosine * along_y[edge] - sine * along_x[edge])
        radius = across[edge] / away
        length += radius
        slope += radius * sense * (cosine * along_x[edge] + sine * along_y[edge]) / away
    return length, slope


@compiled
def _visible_edges(
    angle: FloatArray, rays: FloatArray, along_x: FloatArray, along_y: FloatArray, across: FloatArray
) -> IntArray:
    """Index of the nearest edge along each of the sorted `rays` from the origin; -1 where there is none.

    `angle`: directions of the vertices, 0 to a whole turn; rays may go on beyond it. No ray may point to a vertex.
    """
    n, n_rays = len(angle), len(rays)
    visible = np.full(n_rays, -1, dtype=np.int64)
    place = np.searchsorted(rays, angle)
    for i in range(n):
        if across[i] == 0.0:  # it points at the origin and hides nothing
            continue
        j = (i + 1) % n
        first, last = min(place[i], place[j]), max(place[i], place[j])
        outside = abs(angle[j] - angle[i]) > _HALF_TURN  # the edge crosses the direction 0
        begin, count = (last, n_rays - (last - first)) if outside else (first, last - first)
        for step in range(count):
            ray = (begin + step) % n_rays
            other = visible[ray]
            if other >= 0:  # only a fold has two edges on a ray
                cosine, sine = np.cos(rays[ray]), np.sin(rays[ray])
                here = across[i] / (cosine * along_y[i] - sine * along_x[i])
                if here >= across[other] / (cosine * along_y[other] - sine * along_x[other]):
                    continue
            visible[ray] = i
    return visible


@compiled
def _extreme_chords(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Shortest and longest chord through the origin of one polygon; NaN when the origin lies outside."""
    n = len(x)
    angle = np.mod(np.arctan2(y, x), _TURN)
    winding = 0.0
    for i in range(n):
        step = angle[(i + 1) % n] - angle[i]
        winding += step - _TURN * np.round(step / _TURN)
    if abs(winding) < _HALF_TURN:
        return np.nan, np.nan

    # One ray between any two neighbouring directions in which a vertex lies on either side, and the opposite rays.
    breaks = np.sort(np.mod(angle, _HALF_TURN))
    breaks = np.append(breaks, breaks[0] + _HALF_TURN)
    middles = 0.5 * (breaks[:-1] + breaks[1:])
    along_x, along_y, across = _edges(x, y)
    visible = _visible_edges(angle, np.concatenate((middles, middles + _HALF_TURN)), along_x, along_y, across)

    cosine, sine = np.cos(breaks), np.sin(breaks)
    shortest, longest = np.inf, 0.0
    for i in range(n):
        low, high = breaks[i], breaks[i + 1]
        a, b = visible[i], visible[n + i]
        if high - low < 1e-12 or a < 0 or b < 0:
            continue
        length_low, slope_low = _chord(a, b, cosine[i], sine[i], along_x, along_y, across)
        length_high, slope_high = _chord(a, b, cosine[i + 1], sine[i + 1], along_x, along_y, across)
        shortest = min(shortest, length_low, length_high)
        longest = max(longest, length_low, length_high)
        if not slope_low < 0.0 < slope_high:
            continue
        # No chord between the two edges' lines is shorter than their distances from the origin together.
        distance_a = abs(across[a]) / np.sqrt(along_x[a] ** 2 + along_y[a] ** 2)
        distance_b = abs(across[b]) / np.sqrt(along_x[b] ** 2 + along_y[b] ** 2)
        if distance_a + distance_b < shortest:
            for _ in range(_BISECTIONS):
                middle = 0.5 * (low + high)
                length, slope = _chord(a, b, np.cos(middle), np.sin(middle), along_x, along_y, across)
                shortest = min(shortest, length)
                if slope > 0.0:
                    high = middle
                else:
                    low = middle
    if longest == 0.0:
        return np.nan, np.nan
    return shortest, longest


@compiled
def _diameters(xy: FloatArray, offsets: IntArray, mm_per_px: FloatArray) -> FloatArray:
    n_polygons = len(offsets) - 1
    out = np.full((n_polygons, 2), np.nan)
    centres = moments(xy, offsets)
    for polygon in range(n_polygons):
        if not np.isfinite(centres[polygon, 1]):
            continue
        span = xy[offsets[polygon] : offsets[polygon + 1]]
        x = (span[:, 0] - centres[polygon, 1]) * mm_per_px[0]
        y = (span[:, 1] - centres[polygon, 2]) * mm_per_px[1]
        out[polygon, 0], out[polygon, 1] = _extreme_chords(x, y)
    return out


def contour_diameters_mm(contours: Contours, calibration: Calibration) -> tuple[FloatArray, FloatArray]:
    """Shortest and longest chord of each contour through its centre of mass: two arrays (n_frames,), in mm."""
    both = np.concatenate([_diameters(*part, calibration.mm_per_px) for part in ragged(contours)])
    return both[:, 0], both[:, 1]


def polygon_diameters_mm(polygon_px: FloatArray, calibration: Calibration) -> tuple[float, float]:
    """Shortest and longest chord of one polygon through its centre of mass, in mm."""
    shortest, longest = _diameters(*one(polygon_px), calibration.mm_per_px)[0]
    return float(shortest), float(longest)
