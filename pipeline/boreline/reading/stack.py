"""What a `Run` is made of: frames that can be decoded, and what is declared about them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from shlex import quote

from boreline.errors import InputRefused
from boreline.model import Timing
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.header import Header, read_header
from boreline.reading.pixels import PixelStack, locate_pixels
from boreline.reading.syntaxes import (
    MEDIA_DIRECTORY,
    MULTI_FRAME_CLASSES,
    SINGLE_FRAME_CLASSES,
    XRAY_CLASSES,
    uid_name,
)
from boreline.reading.timing import read_timing


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
            "is a DICOM directory, not a run",
            file=header.path,
            remedy=f"give the file of one run; 'boreline inspect {quote(str(header.path))}' lists the runs",
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
class Stack:
    """Frames with what is declared about them.

    Attributes
    ----------
    attributes
        Of the file, or of the first frame.
    read_timing
        Takes the operator's frame rate, if any; gives the times and warnings.
    """

    attributes: Attributes
    transfer_syntax_uid: str
    pixels: PixelStack
    read_timing: Callable[[float | None], tuple[Timing, list[str]]]
    warnings: tuple[str, ...]


def open_file(path: Path, whole_frames_only: bool) -> Stack:
    """Open a file of one or more frames.

    Raises
    ------
    InputRefused
        It is no ultrasound file, or its frames are not what it declares.
    """
    header = read_header(path)
    refuse_other_classes(header)
    pixels = locate_pixels(header, whole_frames_only=whole_frames_only)

    def timing(frame_rate_hz: float | None) -> tuple[Timing, list[str]]:
        return read_timing(
            header.attributes, pixels.n_frames, stated_frames=pixels.stated_frames, frame_rate_hz=frame_rate_hz
        )

    return Stack(
        header.attributes,
        header.transfer_syntax_uid,
        pixels,
        timing,
        (*class_notes(header, pixels.n_frames), *pixels.warnings),
    )
