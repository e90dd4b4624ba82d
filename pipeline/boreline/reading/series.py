"""A pullback exported as single frames, one file each: put back in order and read as one run."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from shlex import quote

import numpy as np

from boreline.errors import CHECK_ACCESS, InputRefused
from boreline.model import Timing
from boreline.reading.attributes import tag_name
from boreline.reading.codecs import Codec, Samples
from boreline.reading.header import Header, read_header
from boreline.reading.layout import PixelLayout
from boreline.reading.pixels import Pixels, SampleReader, locate_pixels
from boreline.reading.stack import Stack
from boreline.reading.syntaxes import MULTI_FRAME_CLASSES, SINGLE_FRAME_CLASSES
from boreline.reading.timing import acquired_at, read_timing


@dataclass(frozen=True, slots=True)
class SeriesPixels:
    """One frame per file, all of one layout."""

    parts: tuple[Pixels, ...]

    @property
    def layout(self) -> PixelLayout:
        """What every frame looks like."""
        return self.parts[0].layout

    @property
    def codec(self) -> Codec:
        """What decodes them."""
        return self.parts[0].codec

    @property
    def n_frames(self) -> int:
        """Files."""
        return len(self.parts)

    @contextmanager
    def opened(self) -> Iterator[SampleReader]:
        """Open each file only while its frame is decoded."""

        def samples(number: int, luma: bool) -> Samples:
            with self.parts[number].opened() as reader:
                return reader(0, luma)

        yield samples


def open_series(folder: Path, whole_frames_only: bool) -> Stack:
    """Open the one series of single ultrasound frames that a folder holds.

    Frames are ordered by Instance Number; where these are missing or repeated, by the time of acquisition, then by
    Acquisition Number.
    Files that are no ultrasound frames are passed over.

    Raises
    ------
    InputRefused
        The folder holds no such series or several, its frames differ in layout or scale, cannot be ordered, or some
        are missing (unless `whole_frames_only`).
    """
    headers = _only_series(folder)
    ordered, numbers = _in_order(headers, folder)
    notes = [f"assembled from {len(ordered)} single frames"]
    if numbers is not None and (gaps := [a + 1 for a, b in pairwise(numbers) if b != a + 1]):
        problem = f"{numbers[-1] - numbers[0] + 1 - len(numbers)} frames are missing, the first is number {gaps[0]}"
        if not whole_frames_only:
            raise InputRefused(
                problem,
                file=folder,
                tag=tag_name("InstanceNumber"),
                remedy="export the series again, or add --whole-frames-only to use the frames that are there",
            )
        notes.append(f"{problem} (--whole-frames-only)")
    parts = tuple(locate_pixels(header, whole_frames_only=False) for header in ordered)
    _require_alike(ordered, parts)
    times_s = _acquisition_times(ordered)
    first = ordered[0].attributes
    steps = None if numbers is None else np.array(numbers) - numbers[0]

    def timing(frame_rate_hz: float | None) -> tuple[Timing, list[str]]:
        found, problems = read_timing(first, len(parts), frame_rate_hz=frame_rate_hz)
        if frame_rate_hz is not None and steps is not None:
            return Timing(steps / frame_rate_hz, found.origin, found.r_waves_s, found.acquired_at, found.clock_uid), []
        if found.times_s is None and times_s is not None:
            origin = f"{tag_name('AcquisitionDateTime')} of each frame"
            return Timing(times_s, origin, found.r_waves_s, found.acquired_at, found.clock_uid), []
        return found, problems

    return Stack(first, ordered[0].transfer_syntax_uid, SeriesPixels(parts), timing, tuple(notes))


def _only_series(folder: Path) -> list[Header]:
    series: dict[str, list[Header]] = {}
    multi_frame = []
    try:
        files = sorted(file for file in folder.iterdir() if file.is_file())
    except OSError as fault:
        raise InputRefused(f"cannot be read ({fault.strerror})", file=folder, remedy=CHECK_ACCESS) from None
    for file in files:
        try:
            header = read_header(file)
        except InputRefused:
            continue
        if header.sop_class_uid in MULTI_FRAME_CLASSES:
            multi_frame.append(file)
        elif header.sop_class_uid in SINGLE_FRAME_CLASSES and header.pixels is not None:
            series.setdefault(header.attributes.text("SeriesInstanceUID") or "", []).append(header)
    if multi_frame:
        raise InputRefused(
            f"is a folder with {len(multi_frame)} multi-frame files",
            file=folder,
            remedy=f"give one of them, for example {multi_frame[0]}; {_listed(folder)}",
        )
    if not series:
        raise InputRefused(
            "is a folder without ultrasound frames of its own",
            file=folder,
            remedy=f"give the file of one run; {_listed(folder)}",
        )
    if len(series) > 1:
        raise InputRefused(
            f"holds single frames of {len(series)} series", file=folder, remedy="put each series in its own folder"
        )
    return next(iter(series.values()))


def _listed(folder: Path) -> str:
    return f"'boreline inspect {quote(str(folder))}' lists the runs in it and below"


def _in_order(headers: list[Header], folder: Path) -> tuple[list[Header], list[int] | None]:
    """The frames in order, with their instance numbers where these decided."""
    numbers = [header.attributes.integer("InstanceNumber") for header in headers]
    known = [number for number in numbers if number is not None]
    if len(set(known)) == len(headers):
        pairs = sorted(zip(known, headers, strict=True), key=lambda pair: pair[0])
        return [header for _, header in pairs], [number for number, _ in pairs]
    for key in (
        lambda header: acquired_at(header.attributes, []),
        lambda header: header.attributes.integer("AcquisitionNumber"),
    ):
        stated = [value for header in headers if (value := key(header)) is not None]
        if len(set(stated)) == len(headers):
            return [header for _, header in sorted(zip(stated, headers, strict=True), key=lambda pair: pair[0])], None
    raise InputRefused(
        "frames cannot be ordered: instance numbers, acquisition times and acquisition numbers are missing or repeated",
        file=folder,
        tag=tag_name("InstanceNumber"),
        remedy="export the series again, if possible as one multi-frame file",
    )


def _require_alike(headers: list[Header], parts: tuple[Pixels, ...]) -> None:
    first, layout = headers[0], parts[0].layout
    regions = _region_scales(first)
    for header, part in zip(headers, parts, strict=True):
        if part.layout != layout or header.transfer_syntax_uid != first.transfer_syntax_uid:
            raise InputRefused(
                f"differs in its pixel layout from {first.path.name}",
                file=header.path,
                remedy="put the frames of each run in a folder of their own",
            )
        if _region_scales(header) != regions:
            raise header.attributes.refusal(
                f"differs in calibration from {first.path.name}", "SequenceOfUltrasoundRegions"
            )


def _region_scales(header: Header) -> list[tuple[object, ...]]:
    keywords = ("RegionLocationMinX0", "RegionLocationMinY0", "RegionLocationMaxX1", "RegionLocationMaxY1")
    return [
        tuple(item.number(keyword) for keyword in (*keywords, "PhysicalDeltaX", "PhysicalDeltaY"))
        for item in header.attributes.items("SequenceOfUltrasoundRegions")
    ]


def _acquisition_times(headers: list[Header]) -> np.ndarray[tuple[int], np.dtype[np.float64]] | None:
    """Seconds from the first frame, where every frame states its own, later than the one before."""
    moments = [acquired_at(header.attributes, []) for header in headers]
    if len(moments) < 2 or any(moment is None for moment in moments):
        return None
    instants = [datetime.fromisoformat(moment) for moment in moments if moment is not None]
    if len({instant.tzinfo is None for instant in instants}) > 1:
        return None
    times_s = np.array([(instant - instants[0]).total_seconds() for instant in instants])
    return times_s if np.all(np.diff(times_s) > 0) else None
