"""Polar resampling: a frame along rays from a centre, in equal steps of millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from boreline.geometry.rays import radii_polygon_px
from boreline.model import Calibration, FloatArray


@dataclass(frozen=True, slots=True)
class PolarGrid:
    """Where the samples of a polar picture lie in the frame.

    Row k is the ray at ``360 k / n_angles`` degrees (0 to +x, growing towards +y, in millimetres); column i lies
    ``i * mm_per_sample`` from `centre_px`. Both axes of the frame keep their own mm per pixel.
    """

    calibration: Calibration
    centre_px: tuple[float, float]
    n_angles: int
    n_samples: int
    mm_per_sample: float

    def sample_points_px(self) -> FloatArray:
        """(x, y) of every sample in the frame, shape (n_angles, n_samples, 2)."""
        depths_mm = self.mm_per_sample * np.arange(self.n_samples)
        rings = np.broadcast_to(depths_mm[:, None], (self.n_samples, self.n_angles))
        return radii_polygon_px(rings, self.calibration, self.centre_px).swapaxes(0, 1)

    def maps(self) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]:
        """The samples as OpenCV's fixed-point maps: computed once, used for every frame with this centre."""
        points = self.sample_points_px().astype(np.float32)
        maps = cv2.convertMaps(np.ascontiguousarray(points[..., 0]), np.ascontiguousarray(points[..., 1]), cv2.CV_16SC2)
        return maps[0], maps[1]


def resample_polar(
    image: npt.NDArray[Any], maps: tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]
) -> npt.NDArray[Any]:
    """The image (rows, columns), uint8 or float32, along the rays of `PolarGrid.maps`: (n_angles, n_samples).

    Bilinear; OpenCV rounds sample places to 1/32 of a pixel, so a place is off by at most 1/64 of a pixel per axis.
    Samples outside the image are 0.
    """
    polar: npt.NDArray[Any] = cv2.remap(image, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return polar
