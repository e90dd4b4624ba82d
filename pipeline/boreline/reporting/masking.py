"""Keep burned-in text out of pictures.

Pictures of the ultrasound show the cross-section's region only, and nothing beyond the round field of view (text likes
the corners). Inside it, and in X-ray pictures, graphics are thin strokes, or bright patches, that stay as they are over
frames spread along the run, where speckle and noise change. The surroundings of the catheter, whose echo is still too,
are exempt.

Each stroke is hidden by a solid block, so that no letter can be read from the shape of what hides it, and so is what
lies beside it on its line of text.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray, Calibration, FloatArray, GreyImage, Region

STILL_CLEARANCE_MM = 1.2
"""Nearer to the catheter's axis than this, still bright pixels are its own echo."""
FEWEST_FRAMES = 8
_STROKE_SHARE = 1 / 40
"""A stroke is narrower than this share of the picture."""
_FEWEST_PIXELS = 6  # of a letter's stroke
_STAND_OUT, BRIGHT = 45, 150
"""Grey levels: a stroke above its surroundings, or a patch that is wider than a stroke by itself."""
_STILL_SHARE = 0.2
"""A stroke changes by less than this share of its brightness, also after lossy compression; at 0.25 so does speckle."""
_MARGIN_PX = 3
_LARGEST_HOLLOW = 12.0
"""A stroke's bounding box is filled unless it is more than so many times the stroke's own area (a ruler's corner)."""
_XRAY_QUIET, _XRAY_QUIET_CONTRAST = 0.5, 0.02
_XRAY_EXTREME, _XRAY_EXTREME_CONTRAST = 0.06, 0.05
_XRAY_LEVELS, _XRAY_USUAL_PCT = 16, 20


def hidden_pixels(crops: Sequence[GreyImage], region: Region, calibration: Calibration) -> BoolArray:
    """Pixels of the region that no picture may show, shape (region rows, region columns).

    Parameters
    ----------
    crops
        The region's pixels in frames spread over the run. Strokes cannot be told with fewer than eight.
    """
    rows, columns = region.height_px, region.width_px
    y = (np.arange(rows) - (rows - 1) / 2) * calibration.mm_per_px_y
    x = (np.arange(columns) - (columns - 1) / 2) * calibration.mm_per_px_x
    radius = np.hypot(y[:, None], x[None, :])
    field = max(rows * calibration.mm_per_px_y, columns * calibration.mm_per_px_x) / 2
    hidden: BoolArray = radius > field
    if len(crops) >= FEWEST_FRAMES:
        darkest = np.minimum.reduce(list(crops))
        brightest = np.maximum.reduce(list(crops))
        side = _stroke_side(darkest.shape)
        above = cv2.morphologyEx(darkest, cv2.MORPH_TOPHAT, np.ones((side, side), dtype=np.uint8))
        still = (brightest - darkest <= _STILL_SHARE * brightest) & (radius > STILL_CLEARANCE_MM)
        hidden |= _lines_of(still & ((above >= _STAND_OUT) | (darkest >= BRIGHT)), side)
    return hidden


def xray_graphics(
    darkest: npt.NDArray[np.float32], brightest: npt.NDArray[np.float32], full_scale: float, n_frames: int
) -> BoolArray:
    """Pixels of an X-ray run that no picture may show: strokes drawn over it.

    A stroke is narrow and stands out from its neighbours in every frame. Beyond that it either has little of the noise
    that the run's pixels of its brightness have, or it stays at the black or white end of the scale. What a lossy
    encoder leaves of thin letters may do neither: a cine known to be lossy is not shown.

    Parameters
    ----------
    darkest, brightest
        Shape (rows, columns): smallest and largest value of each pixel over frames spread along the run.
    """
    if n_frames < FEWEST_FRAMES:  # too few to tell a letter from anatomy: nothing can be shown
        return np.ones(darkest.shape, dtype=np.bool_)
    side = _stroke_side(darkest.shape)
    square = np.ones((side, side), dtype=np.uint8)
    contrast = np.maximum(
        cv2.morphologyEx(darkest, cv2.MORPH_TOPHAT, square), cv2.morphologyEx(brightest, cv2.MORPH_BLACKHAT, square)
    )
    quiet = brightest - darkest <= np.maximum(0.01 * full_scale, _XRAY_QUIET * _usual_change(darkest, brightest))
    extreme = (darkest >= (1 - _XRAY_EXTREME) * full_scale) | (brightest <= _XRAY_EXTREME * full_scale)
    strokes: BoolArray = (quiet & (contrast >= _XRAY_QUIET_CONTRAST * full_scale)) | (
        extreme & (contrast >= _XRAY_EXTREME_CONTRAST * full_scale)
    )
    return _lines_of(strokes, side)


def _stroke_side(shape: tuple[int, ...]) -> int:
    """Side of the square, an odd number of pixels, that no stroke fills."""
    return max(5, round(min(shape) * _STROKE_SHARE)) | 1


def _lines_of(strokes: BoolArray, side: int) -> BoolArray:
    """Blocks over the strokes, and over a letter that was missed inside a line of text or at its end."""
    blocks = solid_blocks(_pieces_of(strokes, _FEWEST_PIXELS)).astype(np.uint8)
    line = np.ones((1, 3 * side), dtype=np.uint8)
    lines: BoolArray = cv2.dilate(cv2.morphologyEx(blocks, cv2.MORPH_CLOSE, line), line[:, : 2 * side - 1]) > 0
    return lines


def _usual_change(darkest: npt.NDArray[np.float32], brightest: npt.NDArray[np.float32]) -> FloatArray:
    """How much a pixel of its brightness usually changes over the frames: quantum noise grows with the dose.

    Over equally filled classes of brightness; a low percentile, since the edges of a beating vessel change far more.
    """
    middle, change = (darkest + brightest) / 2, brightest - darkest
    order = np.argsort(middle, axis=None)
    classes = np.array_split(order, _XRAY_LEVELS)
    levels = [float(np.median(middle.ravel()[those])) for those in classes]
    usual = [float(np.percentile(change.ravel()[those], _XRAY_USUAL_PCT)) for those in classes]
    return np.asarray(np.interp(middle, levels, usual), dtype=np.float64)


def _pieces_of(where: BoolArray, fewest: int) -> BoolArray:
    """Connected pieces of at least so many pixels."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(where.astype(np.uint8), connectivity=8)
    kept: BoolArray = where & (stats[labels, cv2.CC_STAT_AREA] >= fewest)
    return kept


def solid_blocks(strokes: BoolArray) -> BoolArray:
    """Strokes with a margin, each connected piece as its whole bounding box where that is mostly the piece itself."""
    kernel = np.ones((2 * _MARGIN_PX + 1, 2 * _MARGIN_PX + 1), dtype=np.uint8)
    grown = cv2.dilate(strokes.astype(np.uint8), kernel)
    n, _, stats, _ = cv2.connectedComponentsWithStats(grown, connectivity=8)
    blocks: BoolArray = grown > 0
    for left, top, width, height, area in stats[1:n]:
        if width * height <= _LARGEST_HOLLOW * area:
            blocks[top : top + height, left : left + width] = True
    return blocks
