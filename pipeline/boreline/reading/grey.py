"""Stored samples to grey: every photometric interpretation, with coloured graphics taken out.

A colour run is a grey picture with coloured graphics on it. A pixel whose channels differ is graphics, not
tissue: it is replaced by the mean of its uncoloured neighbours, so that it makes neither an edge nor a bright
spot. Lossy compression tints grey a little and smears colour over its neighbours, so there the tolerance is
wider and the mask is grown by two pixels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray, GreyImage, Region
from boreline.reading.attributes import Attributes
from boreline.reading.codecs import Samples
from boreline.reading.layout import PixelLayout
from boreline.reading.palette import read_palette

NEUTRAL_RANGE = 2
"""Largest difference between the channels of a grey pixel, lossless."""

NEUTRAL_RANGE_LOSSY = 24
"""The same after lossy compression; graphics are far more colourful."""

_SMEAR_PX = 2  # chroma is stored at half the resolution
_FILL_PX = 15

GreyAndColour = tuple[GreyImage, BoolArray | None]
Converter = Callable[[Samples], GreyAndColour]
"""Samples to grey, and which pixels are coloured (None when none can be)."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Which channel differences still count as grey, and how far colour smears."""

    range: int
    smear_px: int

    @classmethod
    def of(cls, lossy: bool) -> Tolerance:
        """The tolerance for lossless or lossy pixels."""
        return cls(NEUTRAL_RANGE_LOSSY, _SMEAR_PX) if lossy else cls(NEUTRAL_RANGE, 0)


def converter(layout: PixelLayout, attributes: Attributes, *, reading: str, tolerance: Tolerance) -> Converter:
    """The function that turns a frame's samples into grey.

    Parameters
    ----------
    attributes
        Hold the palette of PALETTE COLOR.
    reading
        What three samples mean: ``"RGB"`` or ``"YBR"``; no matter for one sample.

    Raises
    ------
    InputRefused
        The palette is missing or malformed.
    """
    if layout.photometric == "PALETTE COLOR":
        return _by_palette(layout, attributes)
    if layout.samples == 1:
        return _monochrome(layout, attributes)
    return (
        (lambda samples: _from_rgb(samples, tolerance))
        if reading == "RGB"
        else (lambda samples: _from_ybr(samples, tolerance))
    )


def neutral_share(coloured: BoolArray | None, region: Region) -> float:
    """Share of the region's pixels that are grey."""
    if coloured is None:
        return 1.0
    return 1.0 - float(np.mean(coloured[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1]))


def without_colour(grey: GreyImage, coloured: BoolArray | None, smear_px: int = 0) -> GreyImage:
    """Replace coloured pixels, and those within `smear_px`, by the mean of the grey ones around them."""
    if coloured is None or not coloured.any():
        return grey
    mask = coloured.astype(np.uint8)
    if smear_px:
        mask = cv2.dilate(mask, np.ones((2 * smear_px + 1, 2 * smear_px + 1), np.uint8))
    keep = (1 - mask).astype(np.float32)
    weight = cv2.blur(keep, (_FILL_PX, _FILL_PX))
    mean = cv2.blur(grey * keep, (_FILL_PX, _FILL_PX)) / np.maximum(weight, 1e-6)
    filled: GreyImage = np.where(mask.astype(bool), np.where(weight > 0, mean, 0), grey).astype(np.uint8)
    return filled


def _monochrome(layout: PixelLayout, attributes: Attributes) -> Converter:
    """Scaled from the stored bits to eight; a falling Modality LUT turns bright and dark round (PS3.3 C.11.1)."""
    invert = (layout.photometric == "MONOCHROME1") != _falling(attributes)
    top = (1 << layout.bits_stored) - 1
    if layout.bits_stored == 8 and layout.bits_allocated == 8:
        return lambda samples: (255 - samples if invert else samples, None)  # type: ignore[return-value]

    def scale(samples: Samples) -> GreyAndColour:
        stored = (samples >> layout.lowest_bit) & top
        if layout.bits_stored > 8:
            grey = (stored >> (layout.bits_stored - 8)).astype(np.uint8)
        else:
            grey = (stored * (255 // top)).astype(np.uint8)
        return (255 - grey if invert else grey), None

    return scale


def _falling(attributes: Attributes) -> bool:
    slope = attributes.number("RescaleSlope")
    if slope == 0:
        raise attributes.refusal("0 leaves nothing of the picture", "RescaleSlope", "export it again")
    return slope is not None and slope < 0


def _by_palette(layout: PixelLayout, attributes: Attributes) -> Converter:
    table = read_palette(attributes, layout.bits_stored)
    grey_column, coloured_column = _from_rgb(table[:, None], Tolerance.of(lossy=False))
    grey_of = grey_column[:, 0]
    coloured_of = None if coloured_column is None else coloured_column[:, 0]
    top = len(table) - 1

    def look_up(samples: Samples) -> GreyAndColour:
        inside = (samples >> layout.lowest_bit) & top
        return grey_of[inside], None if coloured_of is None else coloured_of[inside]

    return look_up


def _from_rgb(samples: npt.NDArray[np.generic], tolerance: Tolerance) -> GreyAndColour:
    pixels = np.ascontiguousarray(samples, dtype=np.uint8)
    # Its weights sum to one exactly, so equal channels come out unchanged.
    grey: GreyImage = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    red, green, blue = cv2.split(pixels)
    spread = cv2.subtract(cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue))
    return grey, spread > tolerance.range


def _from_ybr(samples: npt.NDArray[np.generic], tolerance: Tolerance) -> GreyAndColour:
    luma, blue, red = cv2.split(np.ascontiguousarray(samples, dtype=np.uint8))
    away = cv2.max(cv2.absdiff(blue, 128.0), cv2.absdiff(red, 128.0))
    # A chroma step moves a channel by up to 1.77 (PS3.3 C.7.6.3.1.2).
    return luma, away * 1.77 > tolerance.range
