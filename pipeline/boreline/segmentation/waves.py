"""Smooth closed curves: a few waves around the circle, fitted to depths on rays."""

from __future__ import annotations

from functools import cache

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray

ORDER = 4
_RIDGE = 0.02


def smooth_shape(path: FloatArray, weight: FloatArray) -> FloatArray:
    """A low-order periodic curve through the weighted depths, twice re-weighted against outliers."""
    basis, ridge = _waves(len(path), ORDER)
    return _robust_fit(basis, ridge, path.astype(np.float64), weight.astype(np.float64), 3, 0.0)


def inner_shape(path: FloatArray, weight: FloatArray, order: int, scale: float) -> FloatArray:
    """A low-order periodic curve that outward bulges, beyond `scale` samples, do not draw after them."""
    basis, ridge = _waves(len(path), order)
    return _robust_fit(basis, ridge, path.astype(np.float64), weight.astype(np.float64), 10, scale)


@cache
def _waves(n: int, order: int) -> tuple[FloatArray, FloatArray]:
    """Basis at evenly spaced angles, and the stiffness of each wave."""
    angle = 2 * np.pi * np.arange(n) / n
    return waves_at(np.cos(angle), np.sin(angle), order), stiffness(order, _RIDGE)


def stiffness(order: int, ridge: float) -> FloatArray:
    """What each wave's square costs in a fit, (2 order + 1,): as the fourth power of its number."""
    numbers = np.repeat(np.arange(order + 1), [1] + [2] * order)
    return numbers.astype(np.float64) ** 4 * ridge


@compiled
def waves_at(cos: FloatArray, sin: FloatArray, order: int) -> FloatArray:
    """Basis (n, 2 order + 1) in directions of this cosine and sine: the constant, then cosine and sine of each wave."""
    basis = np.ones((len(cos), 2 * order + 1))
    for i in range(len(cos)):
        c, s = 1.0, 0.0
        for k in range(1, order + 1):
            c, s = c * cos[i] - s * sin[i], s * cos[i] + c * sin[i]
            basis[i, 2 * k - 1], basis[i, 2 * k] = c, s
    return basis


@compiled
def curve_at(coefficients: FloatArray, cos: float, sin: float) -> float:
    """The curve of these waves in one direction."""
    value, c, s = coefficients[0], 1.0, 0.0
    for k in range(1, (len(coefficients) + 1) // 2):
        c, s = c * cos - s * sin, s * cos + c * sin
        value += coefficients[2 * k - 1] * c + coefficients[2 * k] * s
    return float(value)


@compiled
def ridge_fit(basis: FloatArray, ridge: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    """Coefficients of the waves nearest to weighted values; `ridge` keeps the equations positive (Cholesky)."""
    n, m = basis.shape
    a = np.zeros((m, m))
    b = np.zeros(m)
    for i in range(n):
        for p in range(m):
            b[p] += weight[i] * basis[i, p] * values[i]
            for q in range(p + 1):
                a[p, q] += weight[i] * basis[i, p] * basis[i, q]
    for p in range(m):
        a[p, p] += ridge[p]
    for p in range(m):
        for q in range(p):
            for r in range(q):
                a[p, q] -= a[p, r] * a[q, r]
            a[p, q] /= a[q, q]
        for r in range(p):
            a[p, p] -= a[p, r] * a[p, r]
        a[p, p] = np.sqrt(a[p, p])
    for p in range(m):
        for r in range(p):
            b[p] -= a[p, r] * b[r]
        b[p] /= a[p, p]
    for p in range(m - 1, -1, -1):
        for r in range(p + 1, m):
            b[p] -= a[r, p] * b[r]
        b[p] /= a[p, p]
    return b


@compiled
def _robust_fit(
    basis: FloatArray, ridge: FloatArray, path: FloatArray, weight: FloatArray, turns: int, outward: float
) -> FloatArray:
    """Re-weighted against outliers on both sides, or only against those outside when `outward` gives their scale."""
    n, m = basis.shape
    w = weight + 1e-6
    curve = path.copy()
    for turn in range(turns):
        if turn > 0:
            if outward > 0.0:
                off = np.maximum(path - curve, 0.0)
                scale = outward
            else:
                off = np.abs(path - curve)
                scale = 2.0 * np.median(off) + 1.0
            w = (weight + 1e-6) / (1.0 + (off / scale) ** 2)
        coefficients = ridge_fit(basis, ridge, path, w)
        for i in range(n):
            curve[i] = 0.0
            for p in range(m):
                curve[i] += basis[i, p] * coefficients[p]
    return curve
