"""Any ultrasound pullback as a `Run`: what is declared is read and checked at once, pixels on demand."""

from __future__ import annotations

import os
from pathlib import Path

from boreline.model import JsonValue, Phase, Run, Source, Vessel
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.calibration import CrossSection, read_cross_section
from boreline.reading.picture import frame_reader, plan_grey
from boreline.reading.pullback import read_pullback
from boreline.reading.series import open_series
from boreline.reading.stack import Stack, open_file
from boreline.reading.syntaxes import was_lossy

LARGEST_FAULTY_SHARE = 0.10
"""A run with more undecodable frames than this share is not worth analysing."""


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
    all is judged on a few frames spread over it (`boreline.reading.picture`); if it does not, only luma is
    decoded. A frame that cannot be decoded is delivered without pixels and with its fault.

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
    stack = open_series(path, whole_frames_only) if path.is_dir() else open_file(path, whole_frames_only)
    attributes, layout = stack.attributes, stack.pixels.layout
    section = read_cross_section(
        attributes, rows=layout.rows, columns=layout.columns, mm_per_px=mm_per_px, trust_region=trust_region
    )
    timing, timing_notes = stack.read_timing(frame_rate_hz)
    pullback, pullback_notes = read_pullback(attributes, stack.pixels.n_frames)
    lossy = was_lossy(stack.transfer_syntax_uid, attributes.text("LossyImageCompression"))
    plan = plan_grey(attributes, stack.pixels, section.region, lossy=lossy)
    return Run(
        source=_source(stack, section, lossy=lossy),
        calibration=section.calibration,
        timing=timing,
        pullback=pullback,
        region=section.region,
        read_frames=frame_reader(stack.pixels, plan, section.region),
        centre_px=section.centre_px,
        vessel=vessel,
        phase=phase,
        parameters=_parameters(mm_per_px, trust_region, whole_frames_only, frame_rate_hz),
        warnings=(
            *_uid_notes(attributes),
            *stack.warnings,
            *section.warnings,
            *timing_notes,
            *pullback_notes,
            *plan.warnings,
        ),
    )


def _uid_notes(attributes: Attributes) -> list[str]:
    keywords = ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
    return [f"{tag_name(keyword)} is no UID and was left out" for keyword in keywords if not attributes.uid(keyword)]


def _source(stack: Stack, section: CrossSection, *, lossy: bool) -> Source:
    """What is kept of the DICOM object: identifiers and format, nothing of the patient."""
    attributes, layout = stack.attributes, stack.pixels.layout
    burned_in = attributes.text("BurnedInAnnotation")
    return Source(
        sop_class_uid=attributes.uid("SOPClassUID"),
        sop_instance_uid=attributes.uid("SOPInstanceUID"),
        study_uid=attributes.uid("StudyInstanceUID"),
        series_uid=attributes.uid("SeriesInstanceUID"),
        transfer_syntax_uid=stack.transfer_syntax_uid,
        photometric=layout.photometric,
        rows=layout.rows,
        columns=layout.columns,
        n_frames=stack.pixels.n_frames,
        bits_stored=layout.bits_stored,
        decoder=stack.pixels.codec.name,
        modality=(attributes.text("Modality") or "")[:16],
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
