"""From located frames to the pictures of a `Run`: grey, with coloured graphics and everything outside taken out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from boreline.model import Frame, FrameReader, Region
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.codecs import CodecFault
from boreline.reading.frames import read_ahead
from boreline.reading.grey import Converter, Tolerance, converter, neutral_share, without_colour
from boreline.reading.pixels import PixelStack, SampleReader

PROBED_FRAMES = 6
"""Colour frames looked at when a run is opened, spread evenly over it."""

_GRAPHICS_SHARE = 1e-5
_PLAINLY_GREY, _PLAINLY_COLOURED = 0.9, 0.5


@dataclass(frozen=True, slots=True)
class GreyPlan:
    """How the samples of one run become grey.

    Attributes
    ----------
    luma
        Only luma is decoded, since no coloured graphics were found.
    """

    convert: Converter
    luma: bool
    smear_px: int
    warnings: tuple[str, ...] = ()


def plan_grey(attributes: Attributes, pixels: PixelStack, region: Region, *, lossy: bool) -> GreyPlan:
    """Look at a few colour frames for the right reading of the samples and for coloured graphics.

    Raises
    ------
    InputRefused
        The palette of PALETTE COLOR is missing or malformed.
    """
    layout = pixels.layout
    tolerance = Tolerance.of(lossy)
    tagged = "YBR" if layout.photometric.startswith("YBR") and not pixels.codec.rgb_out else "RGB"
    convert = converter(layout, attributes, reading=tagged, tolerance=tolerance)
    if layout.samples == 1 and layout.photometric != "PALETTE COLOR":
        return GreyPlan(convert, luma=False, smear_px=0)
    shares = _probe(pixels, convert, region)
    notes: tuple[str, ...] = ()
    if layout.samples == 3 and np.median(shares) < _PLAINLY_COLOURED and not pixels.codec.rgb_out:
        other = "RGB" if tagged == "YBR" else "YBR"
        other_convert = converter(layout, attributes, reading=other, tolerance=tolerance)
        other_shares = _probe(pixels, other_convert, region)
        if np.median(other_shares) > _PLAINLY_GREY:
            convert, shares = other_convert, other_shares
            notes += (f"{tag_name('PhotometricInterpretation')} {layout.photometric} is wrong: read as {other}",)
    if np.median(shares) < _PLAINLY_COLOURED:
        notes += ("the whole picture is tinted: its luma is used and coloured graphics are not told apart",)
    elif min(shares) < 1 - _GRAPHICS_SHARE:
        notes += (f"coloured graphics cover {1 - min(shares):.2%} of the cross-section and were taken out",)
        return GreyPlan(convert, luma=False, smear_px=tolerance.smear_px, warnings=notes)
    luma_alone = layout.samples == 3 and pixels.codec.luma is not None
    return GreyPlan(_grey_only(convert), luma=luma_alone, smear_px=0, warnings=notes)


def _probe(pixels: PixelStack, convert: Converter, region: Region) -> list[float]:
    """Shares of grey pixels in the probed frames; one of 1 where none can be decoded."""
    chosen = np.unique(np.linspace(0, pixels.n_frames - 1, PROBED_FRAMES).round().astype(int))
    shares = []
    with pixels.opened() as samples:
        for number in chosen:
            try:
                shares.append(neutral_share(convert(samples(int(number), False))[1], region))
            except CodecFault:
                continue
    return shares or [1.0]


def _grey_only(convert: Converter) -> Converter:
    """The same grey without the mask; luma of a colour run is grey already."""
    return lambda samples: (convert(samples)[0], None)


def frame_reader(pixels: PixelStack, plan: GreyPlan, region: Region) -> FrameReader:
    """The lazy reader of a run's frames."""

    def read(start: int, stop: int) -> Iterator[Frame]:
        with pixels.opened() as samples:
            yield from read_ahead(
                lambda number: read_frame(samples, plan, region, number),
                max(start, 0),
                stop,
                frame_bytes=pixels.layout.frame_bytes,
            )

    return read


def read_frame(samples: SampleReader, plan: GreyPlan, region: Region, number: int) -> Frame:
    """Decode one frame to grey, black outside the region."""
    try:
        stored = samples(number, plan.luma)
    except CodecFault as fault:
        return Frame(number, None, str(fault))
    grey, coloured = (stored.astype(np.uint8, copy=False), None) if plan.luma else plan.convert(stored)
    grey = without_colour(grey, coloured, plan.smear_px)
    if not grey.flags.writeable:
        grey = grey.copy()
    grey[: region.y0] = 0
    grey[region.y1 + 1 :] = 0
    grey[:, : region.x0] = 0
    grey[:, region.x1 + 1 :] = 0
    return Frame(number, grey)
