"""The polar view that all of segmentation works on.

A block has shape (n_frames, N_ANGLES, N_SAMPLES), uint8. Row k is the ray at ``360 k / N_ANGLES`` degrees (0 to +x,
growing towards +y, in millimetres); sample i lies ``i * mm_per_sample`` from the transducer.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.geometry import PolarGrid, resample_polar
from boreline.model import BoolArray, Frame, GreyImage, Run

N_ANGLES = 256
N_SAMPLES = 256
_LARGEST_REACH_MM = 6.5
_BLANK_SPREAD = 1.5

PolarBlock = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class PolarSampler:
    """Frames of one run to polar pictures, through fixed maps.

    Attributes
    ----------
    grid
        Where the samples lie.
    in_region
        Shape (N_ANGLES, N_SAMPLES): the sample lies inside the run's cross-section.
    """

    grid: PolarGrid
    maps: tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]
    in_region: BoolArray

    @property
    def mm_per_sample(self) -> float:
        """Depth between samples."""
        return self.grid.mm_per_sample

    @classmethod
    def of(cls, run: Run) -> PolarSampler:
        """The sampler of a run: its stated centre, or the middle of its cross-section."""
        region, scale = run.region, run.calibration.mm_per_px
        middle = ((region.x0 + region.x1) / 2, (region.y0 + region.y1) / 2)
        centre = run.centre_px or middle
        if not (region.x0 < centre[0] < region.x1 and region.y0 < centre[1] < region.y1):
            centre = middle
        sides = np.array(
            [
                (centre[0] - region.x0) * scale[0],
                (region.x1 - centre[0]) * scale[0],
                (centre[1] - region.y0) * scale[1],
                (region.y1 - centre[1]) * scale[1],
            ]
        )
        reach = min(float(sides.max()), _LARGEST_REACH_MM)
        grid = PolarGrid(run.calibration, centre, N_ANGLES, N_SAMPLES, reach / N_SAMPLES)
        points = grid.sample_points_px()
        x, y = points[..., 0], points[..., 1]
        inside = (x >= region.x0) & (x <= region.x1) & (y >= region.y0) & (y <= region.y1)
        return cls(grid, grid.maps(), inside)

    def __call__(self, frame: Frame) -> PolarBlock | None:
        """One polar picture, or None when the frame could not be decoded or carries no picture."""
        if frame.grey is None or is_blank(frame.grey):
            return None
        polar: PolarBlock = resample_polar(frame.grey, self.maps)
        return polar


def is_blank(grey: GreyImage) -> bool:
    """True when a picture has next to no contrast anywhere (looked at on every eighth pixel)."""
    _, spread = cv2.meanStdDev(np.ascontiguousarray(grey[4::8, 4::8]))
    return bool(spread[0, 0] < _BLANK_SPREAD)
