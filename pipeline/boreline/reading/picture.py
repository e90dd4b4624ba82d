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
    layout, dataset = pixels.layout, attributes.dataset()
    tolerance = Tolerance.of(lossy)
    tagged = "YBR" if layout.photometric.startswith("YBR") and not pixels.codec.rgb_out else "RGB"
    try:
        convert = converter(layout, dataset, reading=tagged, tolerance=tolerance)
    except Exception as fault:  # a malformed palette fails in many ways
        raise attributes.refusal(
            f"the palette cannot be read ({type(fault).__name__})", "RedPaletteColorLookupTableDescriptor"
        ) from None
    if layout.samples == 1:
        return GreyPlan(convert, luma=False, smear_px=0)
    share = _probe(pixels, convert, region)
    notes: tuple[str, ...] = ()
    if share < _PLAINLY_COLOURED and not pixels.codec.rgb_out:
        other = "RGB" if tagged == "YBR" else "YBR"
        other_convert = converter(layout, dataset, reading=other, tolerance=tolerance)
        other_share = _probe(pixels, other_convert, region)
        if other_share > _PLAINLY_GREY:
            convert, share = other_convert, other_share
            notes += (f"{tag_name('PhotometricInterpretation')} {layout.photometric} is wrong: read as {other}",)
    if share >= 1 - _GRAPHICS_SHARE:
        return GreyPlan(_first_only(convert), luma=pixels.codec.luma is not None, smear_px=0, warnings=notes)
    notes += (f"coloured graphics cover {1 - share:.2%} of the cross-section and were taken out",)
    return GreyPlan(convert, luma=False, smear_px=tolerance.smear_px, warnings=notes)


def _probe(pixels: PixelStack, convert: Converter, region: Region) -> float:
    """Lowest share of grey pixels over the probed frames that can be decoded."""
    chosen = np.unique(np.linspace(0, pixels.n_frames - 1, PROBED_FRAMES).round().astype(int))
    shares = []
    with pixels.opened() as samples:
        for number in chosen:
            try:
                shares.append(neutral_share(convert(samples(int(number), False))[1], region))
            except CodecFault:
                continue
    return min(shares, default=1.0)


def _first_only(convert: Converter) -> Converter:
    """Grey without the mask; samples that are grey already pass through."""
    return lambda samples: (samples.astype(np.uint8, copy=False) if samples.ndim == 2 else convert(samples)[0], None)


def frame_reader(pixels: PixelStack, plan: GreyPlan, region: Region) -> FrameReader:
    """The lazy reader of a run's frames."""

    def read(start: int, stop: int) -> Iterator[Frame]:
        with pixels.opened() as samples:
            yield from read_ahead(lambda number: read_frame(samples, plan, region, number), max(start, 0), stop)

    return read


def read_frame(samples: SampleReader, plan: GreyPlan, region: Region, number: int) -> Frame:
    """Decode one frame to grey, black outside the region."""
    try:
        grey, coloured = plan.convert(samples(number, plan.luma))
    except CodecFault as fault:
        return Frame(number, None, str(fault))
    grey = without_colour(grey, coloured, plan.smear_px)
    if not grey.flags.writeable:
        grey = grey.copy()
    grey[: region.y0] = 0
    grey[region.y1 + 1 :] = 0
    grey[:, : region.x0] = 0
    grey[:, region.x1 + 1 :] = 0
    return Frame(number, grey)
