"""How a vessel looks along its course: pictures of one vessel in two views are told to show the same places.

Seen along its own course, a vessel has the same calibre, the same branch mouths and the same guide tip in every view,
whatever its bends. Two straightened pictures are therefore alike only when their places correspond.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import map_coordinates

from boreline.model import FloatArray
from boreline.position.centreline import Image

_REACH_MM = 5.0
_ACROSS_MM = 0.25


def straightened(frame: Image, xy_px: FloatArray, mm_per_px: float) -> FloatArray:
    """Darkness along a course by distance from it, shape (n, k): the mean of both sides, the background taken off.

    Both sides are averaged since a branch leaves to the left in one view and to the right in another.
    """
    grey = cv2.GaussianBlur(np.asarray(frame, dtype=np.float32), (0, 0), 0.8)
    tangent = np.gradient(xy_px, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    away = np.arange(0.0, _REACH_MM + 1e-9, _ACROSS_MM) / mm_per_px
    sides = []
    for sign in (-1.0, 1.0):
        places = xy_px[:, None, :] + sign * away[None, :, None] * normal[:, None, :]
        sides.append(map_coordinates(grey, [places[..., 1], places[..., 0]], order=1, mode="nearest"))
    brightness = (sides[0] + sides[1]) / 2
    background = np.percentile(brightness, 80, axis=1, keepdims=True)
    darkness: FloatArray = (background - brightness).astype(np.float64)
    return darkness


def likeness(a: FloatArray, b: FloatArray) -> float:
    """Correlation of two straightened pictures, -1..1; 0 where one of them is even."""
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size > 0 else 0.0
