"""Measures of smooth closed curves, to machine precision.

A curve is sampled at equal steps of a periodic parameter. Integrals of smooth periodic functions by the plain sum
converge faster than any power of the step (Trefethen & Weideman, SIAM Review 2014;56:385-458), so areas and
centroids are those of the curve, not of the polygon drawn through its points.
"""

from __future__ import annotations

import numpy as np

from boreline.model import FloatArray


def curve_area_centroid(xy_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Area and centroid of smooth closed curves.

    Parameters
    ----------
    xy_mm
        Shape (..., n, 2), equally spaced in a periodic parameter.

    Returns
    -------
    area_mm2, centroid_mm
        Shapes (...) and (..., 2).
    """
    n = xy_mm.shape[-2]
    wave = 1j * np.fft.fftfreq(n, 1.0 / n)
    if n % 2 == 0:
        wave[n // 2] = 0.0
    slope = np.fft.ifft(np.fft.fft(xy_mm, axis=-2) * wave[:, None], axis=-2).real
    x, y, dx, dy = xy_mm[..., 0], xy_mm[..., 1], slope[..., 0], slope[..., 1]
    step = 2 * np.pi / n
    cross = x * dy - y * dx
    area = cross.sum(axis=-1) * step / 2
    centroid = np.stack([(x * cross).sum(-1), (y * cross).sum(-1)], axis=-1) * step / 3 / area[..., None]
    return np.abs(area), centroid


def polygon_area_centroid(xy_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Area and centroid of polygons, shape (..., n, 2), for curves with corners."""
    x, y = xy_mm[..., 0], xy_mm[..., 1]
    x2, y2 = np.roll(x, -1, axis=-1), np.roll(y, -1, axis=-1)
    cross = x * y2 - x2 * y
    area = cross.sum(axis=-1) / 2
    centroid = np.stack([((x + x2) * cross).sum(-1), ((y + y2) * cross).sum(-1)], axis=-1) / 6 / area[..., None]
    return np.abs(area), centroid


def radii_about(xy_mm: FloatArray, apex_mm: FloatArray, angles_rad: FloatArray) -> FloatArray:
    """Radius of one closed curve (n, 2), star-shaped about `apex_mm`, at increasing `angles_rad`."""
    offset = xy_mm - apex_mm
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    radius = np.hypot(offset[:, 0], offset[:, 1])
    order = np.argsort(angle, kind="stable")
    # 1 / r is linear in (cos, sin) along a straight chord; between dense points linear 1 / r is ample.
    inverse = np.interp(angles_rad, angle[order], 1.0 / radius[order], period=2 * np.pi)
    return 1.0 / inverse


def chords_through(xy_mm: FloatArray, apex_mm: FloatArray, n: int = 360) -> tuple[float, float]:
    """Shortest and longest chord (mm) of one closed curve through `apex_mm`, over `n` directions."""
    angles: FloatArray = np.arange(2 * n, dtype=np.float64) * (np.pi / n)
    radius = radii_about(xy_mm, apex_mm, angles)
    chord = radius[:n] + radius[n:]
    return float(chord.min()), float(chord.max())
