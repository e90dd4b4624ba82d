"""How far two contours of the same frame agree: overlap of areas and distance of borders.

Definitions as in the comparison of Balocco et al., Comput Med Imaging Graph 2014;38:70-90 (from memory): Jaccard
|A and B| / |A or B|; Hausdorff distance the larger of both directed maxima. Dice is 2 J / (1 + J), not measured apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import Calibration, FloatArray

SCAN_LINES = 2048
"""Scan lines over the height of both contours together; within a line the overlap is exact."""
DENSE_VERTICES = 360
"""Points per contour from which distances to the other border are measured."""


@dataclass(frozen=True, slots=True)
class Overlap:
    """Agreement of two closed contours.

    Attributes
    ----------
    jaccard
        0..1; 1 for identical contours.
    area_difference_pct
        100 x (first - second) / second: signed, blind to shifts.
    hausdorff_mm, hausdorff95_mm
        Largest and 95th percentile distance between the borders, the larger of both directions.
    """

    jaccard: float
    area_difference_pct: float
    hausdorff_mm: float
    hausdorff95_mm: float

    @property
    def dice(self) -> float:
        """Dice coefficient, from the Jaccard index."""
        return 2.0 * self.jaccard / (1.0 + self.jaccard)


def polygon_overlap(first_px: FloatArray, second_px: FloatArray, calibration: Calibration) -> Overlap:
    """Compare two polygons of shape (n, 2) in pixels, n >= 3 each; `second_px` is the truth or the reader."""
    scale = calibration.mm_per_px
    first, second = first_px * scale, second_px * scale
    area_first, area_second, area_both = _areas_mm2(first, second)
    there = _distances_mm(_dense(first), second)
    back = _distances_mm(_dense(second), first)
    return Overlap(
        jaccard=area_both / (area_first + area_second - area_both),
        area_difference_pct=100.0 * (area_first - area_second) / area_second,
        hausdorff_mm=float(max(there.max(), back.max())),
        hausdorff95_mm=float(max(np.percentile(there, 95), np.percentile(back, 95))),
    )


def _dense(polygon: FloatArray) -> FloatArray:
    """`DENSE_VERTICES` points at equal steps along the border."""
    closed = np.concatenate([polygon, polygon[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0.0, along[-1], DENSE_VERTICES, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])


def _areas_mm2(first: FloatArray, second: FloatArray) -> tuple[float, float, float]:
    low = min(float(first[:, 1].min()), float(second[:, 1].min()))
    high = max(float(first[:, 1].max()), float(second[:, 1].max()))
    step = (high - low) / SCAN_LINES
    lengths = _scan(first, second, low + 0.5 * step, step, SCAN_LINES)
    return float(lengths[0] * step), float(lengths[1] * step), float(lengths[2] * step)


@compiled
def _crossings(polygon: FloatArray, y: float, out: FloatArray) -> int:
    """Sorted x of all edges that cross the line at `y`; returns how many."""
    n = 0
    previous = polygon.shape[0] - 1
    for i in range(polygon.shape[0]):
        y0, y1 = polygon[previous, 1], polygon[i, 1]
        if (y0 <= y) != (y1 <= y):
            x0, x1 = polygon[previous, 0], polygon[i, 0]
            out[n] = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
            n += 1
        previous = i
    out[:n].sort()
    return n


@compiled
def _scan(first: FloatArray, second: FloatArray, start: float, step: float, n_lines: int) -> FloatArray:
    """Lengths inside the first, the second and both contours, summed over all scan lines."""
    a, b = np.empty(first.shape[0]), np.empty(second.shape[0])
    total = np.zeros(3)
    for line in range(n_lines):
        y = start + line * step
        n_a, n_b = _crossings(first, y, a), _crossings(second, y, b)
        for i in range(0, n_a - 1, 2):
            total[0] += a[i + 1] - a[i]
        for j in range(0, n_b - 1, 2):
            total[1] += b[j + 1] - b[j]
        for i in range(0, n_a - 1, 2):
            for j in range(0, n_b - 1, 2):
                total[2] += max(0.0, min(a[i + 1], b[j + 1]) - max(a[i], b[j]))
    return total


@compiled
def _distances_mm(points: FloatArray, border: FloatArray) -> FloatArray:
    """Distance of each point to the nearest edge of a closed border."""
    out = np.empty(points.shape[0])
    for k in range(points.shape[0]):
        nearest = np.inf
        previous = border.shape[0] - 1
        for i in range(border.shape[0]):
            ax, ay = border[previous, 0], border[previous, 1]
            dx, dy = border[i, 0] - ax, border[i, 1] - ay
            px, py = points[k, 0] - ax, points[k, 1] - ay
            length = dx * dx + dy * dy
            t = 0.0 if length == 0.0 else min(1.0, max(0.0, (px * dx + py * dy) / length))
            nearest = min(nearest, (px - t * dx) ** 2 + (py - t * dy) ** 2)
            previous = i
        out[k] = np.sqrt(nearest)
    return out
