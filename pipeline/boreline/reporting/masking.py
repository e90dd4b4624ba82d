"""Keep burned-in text out of pictures.

Pictures show the cross-section's region only. Inside it, everything beyond the round field of view is blackened
(text likes the corners), and so are bright pixels that never change over frames spread along the run: graphics drawn
over the picture do not move, speckle does. The surroundings of the catheter, whose echo is still too, are exempt.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray, Calibration, GreyImage, Region

STILL_CLEARANCE_MM = 1.2
"""Nearer to the catheter's axis than this, still bright pixels are its own echo."""
_BRIGHT = 150
_STILL_RANGE = 24
_FEWEST_FRAMES = 8
_FEWEST_PIXELS = 15  # a letter's stroke; a speckle that happens to stay is smaller
_MARGIN_PX = 3


def still_graphics(darkest: npt.NDArray[np.uint8], brightest: npt.NDArray[np.uint8], n_frames: int) -> BoolArray:
    """Samples that stay bright and unchanged over `n_frames` frames; none when there are too few frames to tell."""
    if n_frames < _FEWEST_FRAMES:
        return np.zeros(darkest.shape, dtype=np.bool_)
    still: BoolArray = (darkest >= _BRIGHT) & (brightest - darkest <= _STILL_RANGE)
    return still


def hidden_pixels(crops: Sequence[GreyImage], region: Region, calibration: Calibration) -> BoolArray:
    """Pixels of the region that no picture may show, shape (region rows, region columns).

    Parameters
    ----------
    crops
        The region's pixels in frames spread over the run.
    """
    rows, columns = region.height_px, region.width_px
    y = (np.arange(rows) - (rows - 1) / 2) * calibration.mm_per_px_y
    x = (np.arange(columns) - (columns - 1) / 2) * calibration.mm_per_px_x
    radius = np.hypot(y[:, None], x[None, :])
    field = max(rows * calibration.mm_per_px_y, columns * calibration.mm_per_px_x) / 2
    hidden: BoolArray = radius > field
    if crops:
        darkest = np.minimum.reduce(list(crops))
        brightest = np.maximum.reduce(list(crops))
        still = still_graphics(darkest, brightest, len(crops)) & (radius > STILL_CLEARANCE_MM)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(still.astype(np.uint8), connectivity=8)
        still &= stats[labels, cv2.CC_STAT_AREA] >= _FEWEST_PIXELS
        kernel = np.ones((2 * _MARGIN_PX + 1, 2 * _MARGIN_PX + 1), dtype=np.uint8)
        hidden |= cv2.dilate(still.astype(np.uint8), kernel) > 0
    return hidden
