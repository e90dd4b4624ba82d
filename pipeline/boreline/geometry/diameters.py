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
def _chord(edge_a: int, edge_b: int, angle: float, normal: FloatArray, height: FloatArray) -> tuple[float, float]:
    """Length of the chord in direction `angle` that ends on two edges, and its derivative by the angle."""
    length, slope = 0.0, 0.0
    for edge, turn in ((edge_a, 0.0), (edge_b, np.pi)):
        cosine = np.cos(angle + turn - normal[edge])
        radius = height[edge] / cosine
        length += radius
        slope += radius * np.sin(angle + turn - normal[edge]) / cosine
    return length, slope


@compiled
def _visible_edges(x: FloatArray, y: FloatArray, angle: FloatArray, rays: FloatArray) -> IntArray:
    """Index of the nearest edge along each of the sorted `rays` from the origin; -1 where there is none.

    Edge i joins vertex i to the next one. No ray may point to a vertex.
    """
    n, n_rays = len(x), len(rays)
    nearest = np.full(n_rays, np.inf)
    visible = np.full(n_rays, -1, dtype=np.int64)
    for i in range(n):
        j = (i + 1) % n
        start, stop = angle[i], angle[j]
        if start > stop:
            start, stop = stop, start
        first, last = np.searchsorted(rays, start), np.searchsorted(rays, stop)
        outside = stop - start > _HALF_TURN  # the edge crosses the direction 0
        begin, count = (last, n_rays - (last - first)) if outside else (first, last - first)
        ex, ey = x[j] - x[i], y[j] - y[i]
        numerator = x[i] * ey - y[i] * ex
        for step in range(count):
            ray = (begin + step) % n_rays
            denominator = np.cos(rays[ray]) * ey - np.sin(rays[ray]) * ex
            if denominator == 0.0:
                continue
            radius = numerator / denominator
            if 0.0 < radius < nearest[ray]:
                nearest[ray] = radius
                visible[ray] = i
    return visible


@compiled
def _extreme_chords(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Shortest and longest chord through the origin of one polygon; NaN when the origin lies outside."""
    n = len(x)
    angle = np.mod(np.arctan2(y, x), _TURN)
    breaks = np.sort(np.mod(angle, _HALF_TURN))
    middles = np.empty(n)
    for i in range(n):
        following = breaks[i + 1] if i + 1 < n else breaks[0] + _HALF_TURN
        middles[i] = 0.5 * (breaks[i] + following)
    rays = np.sort(np.mod(np.concatenate((middles, middles + _HALF_TURN)), _TURN))
    visible = _visible_edges(x, y, angle, rays)

    normal, height = np.empty(n), np.empty(n)
    winding = 0.0
    for i in range(n):
        j = (i + 1) % n
        ex, ey = x[j] - x[i], y[j] - y[i]
        distance = x[i] * ey - y[i] * ex
        # The foot of the perpendicular from the origin to the edge's line gives its direction and distance.
        normal[i] = np.arctan2(-ex * distance, ey * distance)
        height[i] = abs(distance) / max(np.sqrt(ex * ex + ey * ey), 1e-300)
        step = angle[j] - angle[i]
        winding += step - _TURN * np.round(step / _TURN)
    if abs(winding) < _HALF_TURN:
        return np.nan, np.nan

    shortest, longest = np.inf, 0.0
    for i in range(n):
        low = breaks[i]
        high = breaks[i + 1] if i + 1 < n else breaks[0] + _HALF_TURN
        if high - low < 1e-12:
            continue
        middle = 0.5 * (low + high)
        a = visible[np.searchsorted(rays, np.mod(middle, _TURN) - 1e-13) % (2 * n)]
        b = visible[np.searchsorted(rays, np.mod(middle + _HALF_TURN, _TURN) - 1e-13) % (2 * n)]
        if a < 0 or b < 0:
            continue
        length_low, slope_low = _chord(a, b, low, normal, height)
        length_high, slope_high = _chord(a, b, high, normal, height)
        shortest = min(shortest, length_low, length_high)
        longest = max(longest, length_low, length_high)
        # No chord between the two edges' lines is shorter than their distances from the origin together.
        if slope_low < 0.0 < slope_high and height[a] + height[b] < shortest:
            for _ in range(_BISECTIONS):
                middle = 0.5 * (low + high)
                length, slope = _chord(a, b, middle, normal, height)
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
