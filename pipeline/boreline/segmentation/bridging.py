"""The border on rays that do not see it, carried on along the shape of the rest.

A lumen is nearly round about its own middle, but not about a catheter that leans on its wall: seen from there, a
straight bridge cuts off what bulges away from the catheter. So the shape is drawn about the middle of the circle
through the rays that see.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray
from boreline.segmentation.lumen import bridged, runs_of_true
from boreline.segmentation.waves import ORDER, curve_at, ridge_fit, stiffness, waves_at

_STIFFNESS = stiffness(ORDER, 0.1)
_APPROACHES = 6
"""Steps towards the point of the shape on a ray of the catheter, each several times nearer."""


def across(path: FloatArray, gap: BoolArray, seen: BoolArray) -> FloatArray:
    """The border, carried over the rays of each gap along the shape of the `seen` ones; it meets the rays beside.

    All of shape (n_rays,), depths in samples. Where a third of the circle or less is seen, the bridges are straight.
    """
    shape = _shape(path, gap, seen, _STIFFNESS) if seen.sum() > len(path) // 3 else np.zeros(len(path))
    off = path - shape
    out = path.copy()
    for run in runs_of_true(gap):
        out[run] = shape[run] + bridged(off, run)
    return out


@compiled
def _shape(path: FloatArray, gap: BoolArray, seen: BoolArray, stiff: FloatArray) -> FloatArray:
    """Depths of the shape on the gap's rays and those beside; 0 on others."""
    n = len(path)
    x, y, radius = circle(path, seen)
    angle = 2.0 * np.pi * np.arange(n) / n
    cos, sin = np.cos(angle), np.sin(angle)
    px, py = path * cos - x, path * sin - y
    far = np.hypot(px, py)
    waves = waves_at(px / np.maximum(far, 1e-9), py / np.maximum(far, 1e-9), ORDER)
    coefficients = ridge_fit(waves, stiff, far, seen.astype(np.float64))
    out = np.zeros(n)
    for k in range(n):
        if not (gap[k] or gap[k - 1] or gap[(k + 1) % n]):
            continue
        along = x * cos[k] + y * sin[k]
        beside = x * x + y * y - along * along
        distance, depth = radius, 0.0
        for _ in range(_APPROACHES):
            depth = along + np.sqrt(max(distance * distance - beside, 0.0))
            dx, dy = depth * cos[k] - x, depth * sin[k] - y
            length = max(np.hypot(dx, dy), 1e-9)
            distance = curve_at(coefficients, dx / length, dy / length)
        out[k] = along + np.sqrt(max(distance * distance - beside, 0.0))
    return out


@compiled
def circle_through(path: FloatArray, seen: BoolArray) -> FloatArray:
    """Depths on all rays of the circle nearest to the seen ones by least squares; 0 where a ray misses it."""
    n = len(path)
    x, y, radius = circle(path, seen)
    out = np.zeros(n)
    for k in range(n):
        angle = 2.0 * np.pi * k / n
        along = x * np.cos(angle) + y * np.sin(angle)
        inside = radius**2 - x**2 - y**2 + along * along
        if inside > 0.0:
            out[k] = along + np.sqrt(inside)
    return out


@compiled
def circle(path: FloatArray, seen: BoolArray) -> tuple[float, float, float]:
    """Centre and radius of the circle nearest to the seen rays by least squares, samples.

    The circle x^2 + y^2 = a x + b y + c is linear in a, b and c.
    """
    n = len(path)
    angle = 2.0 * np.pi * np.arange(n) / n
    cos, sin = np.cos(angle), np.sin(angle)
    m = np.zeros((3, 4))
    row = np.empty(4)
    for k in range(n):
        if not seen[k]:
            continue
        row[0], row[1], row[2] = path[k] * cos[k], path[k] * sin[k], 1.0
        row[3] = path[k] * path[k]
        for p in range(3):
            for q in range(4):
                m[p, q] += row[p] * row[q]
    for p in range(3):
        for q in range(p + 1, 3):
            m[q] -= m[p] * (m[q, p] / m[p, p])
    c = m[2, 3] / m[2, 2]
    b = (m[1, 3] - m[1, 2] * c) / m[1, 1]
    a = (m[0, 3] - m[0, 2] * c - m[0, 1] * b) / m[0, 0]
    return a / 2, b / 2, np.sqrt(c + (a * a + b * b) / 4)
