"""Shapes with known figures, as polygons in pixels of a calibration."""

import numpy as np

from boreline.model import Calibration, CalibrationOrigin


def calibration(x=0.02, y=0.02):
    return Calibration(x, y, CalibrationOrigin.OPERATOR, "test")


def ellipse_px(a_mm, b_mm, calibration, *, centre_px=(250.0, 240.0), n=256, tilt_deg=0.0):
    t = 2 * np.pi * np.arange(n) / n
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    xy_mm = np.column_stack([a_mm * np.cos(t), b_mm * np.sin(t)]) @ np.array([[c, s], [-s, c]])
    return xy_mm / calibration.mm_per_px + np.asarray(centre_px)


def wavy_px(calibration, rng, *, centre_px=(250.0, 240.0), n=256, r_mm=2.0, amplitude=0.5):
    """Star-shaped about its drawing centre, mostly concave somewhere, centre of mass elsewhere."""
    t = 2 * np.pi * np.arange(n) / n
    r = np.full(n, float(r_mm))
    for order in range(1, 6):
        r += amplitude * r_mm / order * rng.uniform(-0.5, 0.5) * np.cos(order * t + rng.uniform(0, 6.3))
    return np.column_stack([r * np.cos(t), r * np.sin(t)]) / calibration.mm_per_px + np.asarray(centre_px)


U_SHAPE = np.array([[0, 0], [6, 0], [6, 5], [4, 5], [4, 1], [2, 1], [2, 5], [0, 5]], dtype=float)
"""A concave polygon, area 6*5 - 2*4 = 22; its centre of mass (3, 51/22) lies in the gap, outside the shape."""

L_SHAPE = np.array([[0, 0], [6, 0], [6, 3], [3, 3], [3, 6], [0, 6]], dtype=float)
"""A concave polygon, area 27, centre of mass (2.5, 2.5), inside."""
