"""A vessel's smooth shape: low-order closed curves that ignore what does not belong to it.

Borders are radii about the catheter, but a vessel is round about its own middle. The curve is fitted there: points far
outside it (a branch mouth, a leak) lose their say, points inside it keep more of theirs.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray

_TURNS = 14
_SPARSE = 2  # every second ray carries the fit
_LOOSEN_INSIDE = 3.0
_ROUNDNESS = 0.003


@compiled
def smooth_shape(
    radii_mm: FloatArray, weights: FloatArray, order: int, scale_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Fit a closed curve of Fourier order `order` about its own middle.

    Parameters
    ----------
    radii_mm, weights
        Shape (n_rays,): the border about the catheter, and how far to believe each ray (0..1).
    order
        Highest harmonic of the radius about the middle.
    scale_mm
        Distance beyond the curve at which a point has lost about half its say.

    Returns
    -------
    curve_mm, outside_mm
        Shape (n_rays,) each: the curve's radii about the catheter, and how far each given point lies outside it.
    """
    n = radii_mm.shape[0]
    x, y = np.empty(n), np.empty(n)
    for a in range(n):
        x[a] = radii_mm[a] * np.cos(2 * np.pi * a / n)
        y[a] = radii_mm[a] * np.sin(2 * np.pi * a / n)
    total = weights.sum() + 1e-9
    cx, cy = (x * weights).sum() / total, (y * weights).sum() / total
    size = 2 * order + 1
    coefficients = np.zeros(size)
    start = np.sort(np.hypot(x - cx, y - cy))
    coefficients[0] = start[int(0.4 * n)]
    width = 0.6
    basis = np.ones(size)
    for turn in range(_TURNS):
        upto = 2 * min(order, 1 + turn // 3) + 1
        normal = np.zeros((upto, upto))
        right = np.zeros(upto)
        scale = max(scale_mm, width)
        trust_sum = 0.0
        for a in range(0, n, _SPARSE):
            if weights[a] <= 0.0:
                continue
            dx, dy = x[a] - cx, y[a] - cy
            rho, phi = np.hypot(dx, dy), np.arctan2(dy, dx)
            for k in range(1, order + 1):
                basis[2 * k - 1], basis[2 * k] = np.cos(k * phi), np.sin(k * phi)
            expected = 0.0
            for i in range(upto):
                expected += coefficients[i] * basis[i]
            excess = rho - expected
            relative = excess / scale if excess > 0 else excess / (_LOOSEN_INSIDE * scale)
            b = (a + _SPARSE) % n
            turned = np.arctan2(y[b] - cy, x[b] - cx) - phi
            turned = abs((turned + np.pi) % (2 * np.pi) - np.pi)
            trust = weights[a] / (1.0 + relative**4) * min(turned, 0.2) + 1e-9
            trust_sum += trust
            for i in range(upto):
                right[i] += trust * basis[i] * rho
                for j in range(upto):
                    normal[i, j] += trust * basis[i] * basis[j]
        for k in range(2, (upto - 1) // 2 + 1):
            normal[2 * k - 1, 2 * k - 1] += _ROUNDNESS * k * k * trust_sum
            normal[2 * k, 2 * k] += _ROUNDNESS * k * k * trust_sum
        for i in range(upto):
            normal[i, i] += 1e-9 * trust_sum + 1e-12
        coefficients[:upto] = np.linalg.solve(normal, right)
        if turn < _TURNS - 1:
            cx += 0.8 * coefficients[1]
            cy += 0.8 * coefficients[2]
            coefficients[1] *= 0.2
            coefficients[2] *= 0.2
        width *= 0.72

    outside = np.empty(n)
    for a in range(n):
        dx, dy = x[a] - cx, y[a] - cy
        outside[a] = np.hypot(dx, dy) - _radius(coefficients, np.arctan2(dy, dx))
    return _about_catheter(coefficients, cx, cy, n), outside


@compiled
def _radius(coefficients: FloatArray, phi: float) -> float:
    total = coefficients[0]
    for k in range(1, (coefficients.shape[0] - 1) // 2 + 1):
        total += coefficients[2 * k - 1] * np.cos(k * phi) + coefficients[2 * k] * np.sin(k * phi)
    return max(total, 1e-3)


@compiled
def _about_catheter(coefficients: FloatArray, cx: float, cy: float, n: int) -> FloatArray:
    """Outermost crossing of each ray from the catheter with the curve; the nearest ray's where one misses."""
    fine = 4 * n
    out = np.full(n, -1.0)
    previous_x, previous_y = 0.0, 0.0
    for i in range(fine + 1):
        phi = 2 * np.pi * i / fine
        r = _radius(coefficients, phi)
        px, py = cx + r * np.cos(phi), cy + r * np.sin(phi)
        if i:
            first = np.arctan2(previous_y, previous_x)
            swept = (np.arctan2(py, px) - first + np.pi) % (2 * np.pi) - np.pi
            low, high = min(first, first + swept), max(first, first + swept)
            a = int(np.ceil(low / (2 * np.pi) * n - 1e-9))
            while a * 2 * np.pi / n <= high + 1e-12:
                angle = a * 2 * np.pi / n
                ux, uy = np.cos(angle), np.sin(angle)
                along_x, along_y = px - previous_x, py - previous_y
                denominator = ux * along_y - uy * along_x
                if abs(denominator) > 1e-12:
                    distance = (previous_x * along_y - previous_y * along_x) / denominator
                    out[a % n] = max(out[a % n], distance)
                a += 1
        previous_x, previous_y = px, py
    for a in range(n):
        if out[a] < 0.0:
            for k in range(1, n):
                if out[(a - k) % n] >= 0.0:
                    out[a] = out[(a - k) % n]
                    break
                if out[(a + k) % n] >= 0.0:
                    out[a] = out[(a + k) % n]
                    break
    return out


@compiled
def bulges(outside_mm: FloatArray, least_mm: float, deepest_mm: float, widest: int) -> BoolArray:
    """Rays of pockets: runs that lie more than `least_mm` outside the curve and at least once `deepest_mm`."""
    n = outside_mm.shape[0]
    out = np.zeros(n, dtype=np.bool_)
    over = outside_mm > least_mm
    if over.all() or not over.any():
        return out
    start = int(np.argmin(over))
    a = 0
    while a < n:
        if not over[(start + a) % n]:
            a += 1
            continue
        length, deepest = 0, 0.0
        while length < n and over[(start + a + length) % n]:
            deepest = max(deepest, outside_mm[(start + a + length) % n])
            length += 1
        if deepest >= deepest_mm and 6 <= length <= widest:
            for k in range(a - 2, a + length + 2):
                out[(start + k) % n] = True
        a += length
    return out


@compiled
def bridge(radii_mm: FloatArray, curve_mm: FloatArray, missing: BoolArray, blend: float) -> FloatArray:
    """The border with its missing rays taken from the curve, led over from either shoulder within `blend` rays."""
    n = radii_mm.shape[0]
    out = radii_mm.copy()
    if missing.all():
        return curve_mm.copy()
    if not missing.any():
        return out
    start = int(np.argmin(missing))
    a = 0
    while a < n:
        if not missing[(start + a) % n]:
            a += 1
            continue
        length = 0
        while missing[(start + a + length) % n]:
            length += 1
        left, right = (start + a - 1) % n, (start + a + length) % n
        step_left = min(max(radii_mm[left] - curve_mm[left], -0.12), 0.12)
        step_right = min(max(radii_mm[right] - curve_mm[right], -0.12), 0.12)
        for k in range(length):
            ray = (start + a + k) % n
            out[ray] = curve_mm[ray] + step_left * np.exp(-(k + 1) / blend) + step_right * np.exp(-(length - k) / blend)
        a += length
    return out
