"""Any ultrasound pullback as a `Run`: what is declared is read and checked at once, pixels on demand."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Frame, FrameReader, JsonValue, Phase, Region, Run, Source, Vessel
from boreline.reading.attributes import tag_name
from boreline.reading.calibration import CrossSection, read_cross_section
from boreline.reading.codecs import CodecFault
from boreline.reading.frames import read_ahead
from boreline.reading.grey import Converter, Tolerance, converter, neutral_share, without_colour
from boreline.reading.header import Header, read_header
from boreline.reading.pixels import Pixels, locate_pixels
from boreline.reading.pullback import read_pullback
from boreline.reading.syntaxes import (
    MEDIA_DIRECTORY,
    MULTI_FRAME_CLASSES,
    SINGLE_FRAME_CLASSES,
    XRAY_CLASSES,
    uid_name,
)
from boreline.reading.timing import read_timing

LARGEST_FAULTY_SHARE = 0.10
"""A run with more undecodable frames than this share is not worth analysing."""

PROBED_FRAMES = 6
"""Colour frames looked at when a run is opened, spread evenly over it."""

_GRAPHICS_SHARE = 1e-5
_PLAINLY_GREY, _PLAINLY_COLOURED = 0.9, 0.5


def read_run(
    path: str | os.PathLike[str],
    *,
    mm_per_px: tuple[float, float] | None = None,
    trust_region: bool = False,
    whole_frames_only: bool = False,
    frame_rate_hz: float | None = None,
    vessel: Vessel | None = None,
    phase: Phase | None = None,
) -> Run:
    """Open an ultrasound pullback.

    Frames come out as (rows, columns) uint8 grey. Everything outside the cross-section's region is black, so no
    longitudinal strip, trace or burnt-in text there counts as tissue; coloured pixels inside it are replaced by
    the mean of their grey neighbours (`boreline.reading.grey`). Whether a colour run carries coloured graphics at
    all is judged on `PROBED_FRAMES` frames spread over it; if it does not, only luma is decoded. A frame
    that cannot be decoded is delivered without pixels and with its fault.

    Parameters
    ----------
    path
        A multi-frame file, or a folder of the single frames of one series.
    mm_per_px
        (x, y) stated by the operator, instead of the file's calibration.
    trust_region
        Believe the ultrasound region where another spacing contradicts it.
    whole_frames_only
        Use the whole frames of a truncated or miscounted file.
    frame_rate_hz
        Stated by the operator, instead of the file's timing.
    vessel, phase
        Stated by the operator; carried along.

    Raises
    ------
    InputRefused
        The file is no pullback, or lacks something that must not be guessed.
    """
    path = Path(path)
    header = read_header(path)
    refuse_other_classes(header)
    pixels = locate_pixels(header, whole_frames_only=whole_frames_only)
    layout, attributes = pixels.layout, header.attributes
    section = read_cross_section(
        attributes, rows=layout.rows, columns=layout.columns, mm_per_px=mm_per_px, trust_region=trust_region
    )
    timing, timing_notes = read_timing(
        attributes, pixels.n_frames, stated_frames=pixels.stated_frames, frame_rate_hz=frame_rate_hz
    )
    pullback, pullback_notes = read_pullback(attributes, pixels.n_frames)
    lossy = attributes.text("LossyImageCompression") == "01"
    plan = plan_grey(header, pixels, section.region, lossy=lossy)
    source = source_record(header, pixels, section, lossy=lossy)
    return Run(
        source=source,
        calibration=section.calibration,
        timing=timing,
        pullback=pullback,
        region=section.region,
        read_frames=frame_reader(pixels, plan, section.region),
        centre_px=section.centre_px,
        vessel=vessel,
        phase=phase,
        parameters=_parameters(mm_per_px, trust_region, whole_frames_only, frame_rate_hz),
        warnings=(
            *class_notes(header, pixels.n_frames),
            *pixels.warnings,
            *section.warnings,
            *timing_notes,
            *pullback_notes,
            *plan.warnings,
        ),
    )


def refuse_other_classes(header: Header) -> None:
    """Refuse every object that is no ultrasound or captured picture; Modality is a hint, the class decides.

    Raises
    ------
    InputRefused
        Naming what the object is.
    """
    uid = header.sop_class_uid
    if uid in MULTI_FRAME_CLASSES or uid in SINGLE_FRAME_CLASSES:
        return
    if uid == MEDIA_DIRECTORY or header.attributes.has("DirectoryRecordSequence"):
        raise InputRefused(
            "is a DICOM directory, not a run", file=header.path, remedy="give its folder to boreline inspect"
        )
    if not uid:
        raise header.attributes.refusal("is missing: no DICOM image", "SOPClassUID")
    what = "is an X-ray run, not a pullback" if uid in XRAY_CLASSES else f"{uid_name(uid)} is no ultrasound pullback"
    raise header.attributes.refusal(what, "SOPClassUID", "give an Ultrasound Multi-frame Image")


def class_notes(header: Header, n_frames: int) -> list[str]:
    """Warn of a class that does not fit its frames."""
    if header.sop_class_uid in SINGLE_FRAME_CLASSES:
        if n_frames > 1:
            return [f"{tag_name('SOPClassUID')} is a single-frame class, yet the file holds {n_frames} frames"]
        return ["a single frame, not a pullback"]
    return []


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


def plan_grey(header: Header, pixels: Pixels, region: Region, *, lossy: bool) -> GreyPlan:
    """Look at a few colour frames for the right reading of the samples and for coloured graphics.

    Raises
    ------
    InputRefused
        The palette of PALETTE COLOR is missing or malformed.
    """
    layout, dataset = pixels.layout, header.attributes.dataset()
    tolerance = Tolerance.of(lossy)
    tagged = "YBR" if layout.photometric.startswith("YBR") and not pixels.codec.rgb_out else "RGB"
    try:
        convert = converter(layout, dataset, reading=tagged, tolerance=tolerance)
    except Exception as fault:  # a malformed palette fails in many ways
        raise header.attributes.refusal(
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


def _probe(pixels: Pixels, convert: Converter, region: Region) -> float:
    """Lowest share of grey pixels over the probed frames that can be decoded."""
    chosen = np.unique(np.linspace(0, pixels.n_frames - 1, PROBED_FRAMES).round().astype(int))
    shares = []
    fd = pixels.bytes.open()
    try:
        for number in chosen:
            try:
                shares.append(neutral_share(convert(pixels.samples(fd, int(number)))[1], region))
            except CodecFault:
                continue
    finally:
        os.close(fd)
    return min(shares, default=1.0)


def _first_only(convert: Converter) -> Converter:
    """Grey without the mask; samples that are grey already pass through."""
    return lambda samples: (samples.astype(np.uint8, copy=False) if samples.ndim == 2 else convert(samples)[0], None)


def frame_reader(pixels: Pixels, plan: GreyPlan, region: Region) -> FrameReader:
    """The lazy reader of one file's frames."""

    def read(start: int, stop: int) -> Iterator[Frame]:
        fd = pixels.bytes.open()
        try:
            yield from read_ahead(lambda number: read_frame(pixels, plan, region, fd, number), max(start, 0), stop)
        finally:
            os.close(fd)

    return read


def read_frame(pixels: Pixels, plan: GreyPlan, region: Region, fd: int, number: int) -> Frame:
    """Decode one frame to grey, black outside the region."""
    try:
        grey, coloured = plan.convert(pixels.samples(fd, number, luma=plan.luma))
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


def source_record(header: Header, pixels: Pixels, section: CrossSection, *, lossy: bool) -> Source:
    """What is kept of the DICOM object: identifiers and format, nothing of the patient."""
    attributes, layout = header.attributes, pixels.layout
    burned_in = attributes.text("BurnedInAnnotation")
    return Source(
        sop_class_uid=header.sop_class_uid,
        sop_instance_uid=attributes.text("SOPInstanceUID") or "",
        study_uid=attributes.text("StudyInstanceUID") or "",
        series_uid=attributes.text("SeriesInstanceUID") or "",
        transfer_syntax_uid=header.transfer_syntax_uid,
        photometric=layout.photometric,
        rows=layout.rows,
        columns=layout.columns,
        n_frames=pixels.n_frames,
        bits_stored=layout.bits_stored,
        decoder=pixels.codec.name,
        modality=attributes.text("Modality") or "",
        lossy=lossy,
        burned_in={"YES": True, "NO": False}.get(burned_in or ""),
        transducer_frequency_mhz=section.frequency_mhz,
    )


def _parameters(
    mm_per_px: tuple[float, float] | None, trust_region: bool, whole_frames_only: bool, frame_rate_hz: float | None
) -> dict[str, JsonValue]:
    """Only what the operator stated."""
    stated: dict[str, JsonValue] = {}
    if mm_per_px is not None:
        stated["mm_per_px"] = list(mm_per_px)
    if trust_region:
        stated["trust_region"] = True
    if whole_frames_only:
        stated["whole_frames_only"] = True
    if frame_rate_hz is not None:
        stated["frame_rate_hz"] = frame_rate_hz
    return stated
