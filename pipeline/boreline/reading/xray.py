"""X-ray angiography and fluoroscopy runs (PS3.3 A.14, C.8.7): pixels, times, view and scale."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from boreline.errors import InputRefused
from boreline.model import FloatArray, IntArray, Timing
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.codecs import CodecFault
from boreline.reading.frames import read_ahead
from boreline.reading.header import Header, read_header
from boreline.reading.pixels import Pixels, SampleReader, locate_pixels
from boreline.reading.syntaxes import XRAY_CLASSES, uid_name, was_lossy
from boreline.reading.timing import read_timing

Intensity = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
"""(rows, columns), contrast medium dark."""

_SAME_SCALE = 0.01


class RadiationSetting(StrEnum):
    """Radiation Setting (0018,1155), which tells fluoroscopy from cine."""

    FLUOROSCOPY = "SC"
    CINE = "GR"
    UNKNOWN = ""


class XrayScaleOrigin(StrEnum):
    """Where the millimetres of an X-ray run come from."""

    ISOCENTRE = "isocentre"
    """Imager Pixel Spacing over the magnification: holds at the isocentre."""
    GEOMETRY = "geometry"
    """Pixel Spacing, Calibration Type GEOMETRY: holds at a depth that the file does not state."""
    FIDUCIAL = "fiducial"
    """Pixel Spacing, Calibration Type FIDUCIAL: holds at the depth of the object of known size."""


@dataclass(frozen=True, slots=True)
class XrayScale:
    """Millimetres per pixel in the patient.

    A structure `d` mm nearer to or farther from the detector than the depth where the scale holds is measured wrong
    by about ``d / distance_source_to_patient``.
    """

    mm_per_px_x: float
    mm_per_px_y: float
    origin: XrayScaleOrigin
    detail: str


@dataclass(frozen=True, slots=True)
class XrayFrame:
    """One decoded frame, or the reason why there is none."""

    number: int  # 0-based
    intensity: Intensity | None
    fault: str | None = None


XrayFrameReader = Callable[[int, int], Iterator[XrayFrame]]


@dataclass(frozen=True, slots=True)
class XrayRun:
    """One X-ray run, its pixels decoded on demand.

    Attributes
    ----------
    bits_stored
        Significant bits of the intensity, 8 to 16.
    lossy
        The pixels have been compressed with loss, in this file or before.
    intensity_relationship
        Pixel Intensity Relationship (0028,1040): LIN, LOG or DISP; empty when not stated.
    inverted
        The stored values were inverted, so that contrast medium is dark.
    scale
        None when the file carries no usable geometry; `scale_problem` says why.
    primary_deg, secondary_deg
        Shape (n_frames,): positioner angles, + = LAO and cranial; NaN where not stated.
    positioner_moves, table_moves
        What the file declares; None when it says nothing.
    r_wave_frames
        0-based frames at R peaks.
    subtraction_declared
        The file asks its viewer to subtract a mask; the pixels here are not subtracted.
    plane
        Image Type value 3: SINGLE PLANE, BIPLANE A, BIPLANE B; empty when not stated.
    """

    sop_instance_uid: str
    study_uid: str
    series_uid: str
    rows: int
    columns: int
    n_frames: int
    bits_stored: int
    decoder: str
    lossy: bool
    radiation: RadiationSetting
    intensity_relationship: str
    inverted: bool
    timing: Timing
    scale: XrayScale | None
    scale_problem: str | None
    distance_source_to_detector_mm: float | None
    distance_source_to_patient_mm: float | None
    primary_deg: FloatArray
    secondary_deg: FloatArray
    positioner_moves: bool | None
    table_moves: bool | None
    r_wave_frames: IntArray
    subtraction_declared: bool
    plane: str
    read_frames: XrayFrameReader
    warnings: tuple[str, ...] = ()

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[XrayFrame]:
        """Decode frames [start, stop) one after the other; at most a few are in memory at a time."""
        return self.read_frames(start, self.n_frames if stop is None else min(stop, self.n_frames))


def read_xray(
    path: str | os.PathLike[str], *, whole_frames_only: bool = False, frame_rate_hz: float | None = None
) -> XrayRun:
    """Open an X-ray Angiographic or Radiofluoroscopic Image.

    Parameters
    ----------
    whole_frames_only
        Use the whole frames of a truncated or miscounted file.
    frame_rate_hz
        Stated by the operator, instead of the file's timing.

    Raises
    ------
    InputRefused
        It is no such object, or its frames cannot be located.
    """
    header = read_header(Path(path))
    if header.sop_class_uid not in XRAY_CLASSES:
        what = uid_name(header.sop_class_uid) if header.sop_class_uid else "nothing"
        raise header.attributes.refusal(f"{what} is no X-ray run", "SOPClassUID", "give an X-Ray Angiographic Image")
    pixels = locate_pixels(header, whole_frames_only=whole_frames_only)
    if pixels.layout.samples != 1 or pixels.layout.photometric == "PALETTE COLOR":
        raise header.attributes.refusal(
            f"{pixels.layout.photometric} is no X-ray picture", "PhotometricInterpretation", "export it as grey"
        )
    attributes, n = header.attributes, pixels.n_frames
    timing, notes = read_timing(attributes, n, stated_frames=pixels.stated_frames, frame_rate_hz=frame_rate_hz)
    r_wave_frames = _r_wave_frames(attributes, n)
    if timing.times_s is not None and not timing.r_waves_s.size:
        timing = replace(timing, r_waves_s=timing.times_s[r_wave_frames])
    source_to_detector_mm = _distance(attributes, "DistanceSourceToDetector", notes)
    source_to_patient_mm = _distance(attributes, "DistanceSourceToPatient", notes)
    scale, scale_problem = _scale(attributes, source_to_detector_mm, source_to_patient_mm, notes)
    inverted = pixels.layout.photometric == "MONOCHROME1"
    return XrayRun(
        sop_instance_uid=attributes.uid("SOPInstanceUID"),
        study_uid=attributes.uid("StudyInstanceUID"),
        series_uid=attributes.uid("SeriesInstanceUID"),
        rows=pixels.layout.rows,
        columns=pixels.layout.columns,
        n_frames=n,
        bits_stored=pixels.layout.bits_stored,
        decoder=pixels.codec.name,
        lossy=was_lossy(header.transfer_syntax_uid, attributes.text("LossyImageCompression")),
        radiation=_radiation(attributes),
        intensity_relationship=(attributes.text("PixelIntensityRelationship") or "")[:16],
        inverted=inverted,
        timing=timing,
        scale=scale,
        scale_problem=scale_problem,
        distance_source_to_detector_mm=source_to_detector_mm,
        distance_source_to_patient_mm=source_to_patient_mm,
        primary_deg=_angles(attributes, "PositionerPrimaryAngle", n, notes),
        secondary_deg=_angles(attributes, "PositionerSecondaryAngle", n, notes),
        positioner_moves=_moves(attributes, "PositionerMotion"),
        table_moves=_moves(attributes, "TableMotion"),
        r_wave_frames=r_wave_frames,
        subtraction_declared=bool(attributes.items("MaskSubtractionSequence")),
        plane=_plane(attributes),
        read_frames=_reader(pixels, inverted),
        warnings=(*pixels.warnings, *notes),
    )


def is_xray(header: Header) -> bool:
    """The object is an X-ray run that `read_xray` opens."""
    return header.sop_class_uid in XRAY_CLASSES


def _reader(pixels: Pixels, inverted: bool) -> XrayFrameReader:
    top = (1 << pixels.layout.bits_stored) - 1

    def decode(reader: SampleReader, number: int) -> XrayFrame:
        try:
            samples = reader(number, False)
        except CodecFault as fault:
            return XrayFrame(number, None, str(fault))
        stored = np.bitwise_and(samples, top)
        values = np.subtract(top, stored) if inverted else stored
        return XrayFrame(number, values.astype(np.uint8) if top <= 255 else values.astype(np.uint16))

    def read(start: int, stop: int) -> Iterator[XrayFrame]:
        with pixels.opened() as reader:
            yield from read_ahead(
                lambda number: decode(reader, number), max(start, 0), stop, frame_bytes=pixels.layout.frame_bytes
            )

    return read


def _radiation(attributes: Attributes) -> RadiationSetting:
    word = attributes.text("RadiationSetting")
    return RadiationSetting(word) if word in ("SC", "GR") else RadiationSetting.UNKNOWN


def _plane(attributes: Attributes) -> str:
    words = attributes.texts("ImageType")
    return words[2][:16] if len(words) > 2 else ""


def _distance(attributes: Attributes, keyword: str, notes: list[str]) -> float | None:
    value = _tolerated(attributes, keyword, notes)
    return value if value is not None and value > 0 else None


def _tolerated(attributes: Attributes, keyword: str, notes: list[str]) -> float | None:
    try:
        return attributes.number(keyword)
    except InputRefused as fault:
        notes.append(f"{fault.tag}: {fault.problem}; not used")
        return None


def _spacing(attributes: Attributes, keyword: str, notes: list[str]) -> tuple[float, float] | None:
    """(x, y); in the file the row spacing comes first."""
    try:
        values = attributes.numbers(keyword)
    except InputRefused as fault:
        notes.append(f"{fault.tag}: {fault.problem}; not used")
        return None
    return (values[1], values[0]) if len(values) == 2 and min(values) > 0 else None


def _scale(
    attributes: Attributes, sid_mm: float | None, sod_mm: float | None, notes: list[str]
) -> tuple[XrayScale | None, str | None]:
    """Pixel Spacing with a Calibration Type as it stands; else Imager Pixel Spacing over the magnification.

    Imager Pixel Spacing (0018,1164) holds at the detector and is never corrected for magnification, so the scale
    at the isocentre is that spacing x SOD / SID (PS3.3 C.8.7.5).
    """
    pixel = _spacing(attributes, "PixelSpacing", notes)
    calibration_type = attributes.text("PixelSpacingCalibrationType")
    if pixel and calibration_type in ("FIDUCIAL", "GEOMETRY"):
        detail = f"{tag_name('PixelSpacing')}, {tag_name('PixelSpacingCalibrationType')} {calibration_type}"
        return XrayScale(*pixel, XrayScaleOrigin(calibration_type.lower()), detail), None
    imager = _spacing(attributes, "ImagerPixelSpacing", notes)
    if imager is None:
        return None, f"{tag_name('ImagerPixelSpacing')} is missing"
    magnification, detail = _magnification(attributes, sid_mm, sod_mm, notes)
    if magnification is None:
        return None, detail
    detail = f"{tag_name('ImagerPixelSpacing')} / {detail}"
    return XrayScale(imager[0] / magnification, imager[1] / magnification, XrayScaleOrigin.ISOCENTRE, detail), None


def _magnification(
    attributes: Attributes, sid_mm: float | None, sod_mm: float | None, notes: list[str]
) -> tuple[float | None, str]:
    stated = _tolerated(attributes, "EstimatedRadiographicMagnificationFactor", notes)
    if stated is not None and stated < 1:
        stated = None
    if sid_mm and sod_mm and sid_mm >= sod_mm:
        by_distance = sid_mm / sod_mm
        if stated is not None and abs(stated - by_distance) > _SAME_SCALE * by_distance:
            name = tag_name("EstimatedRadiographicMagnificationFactor")
            notes.append(f"{name} {stated:g} contradicts the distances ({by_distance:.4g}), which are used")
        return by_distance, f"({tag_name('DistanceSourceToDetector')} / {tag_name('DistanceSourceToPatient')})"
    if stated is not None:
        return stated, tag_name("EstimatedRadiographicMagnificationFactor")
    return None, "neither the source distances nor the magnification factor are stated"


def _angles(attributes: Attributes, keyword: str, n_frames: int, notes: list[str]) -> FloatArray:
    """Per frame: the first frame's angle, plus one increment per frame or N offsets from the first (C.8.7.5)."""
    first = _tolerated(attributes, keyword, notes)
    angles: FloatArray = np.full(n_frames, np.nan if first is None else first)
    try:
        steps = attributes.numbers(f"{keyword}Increment")
    except InputRefused as fault:
        notes.append(f"{fault.tag}: {fault.problem}; not used")
        return angles
    if len(steps) == 1:
        angles += steps[0] * np.arange(n_frames)
    elif len(steps) >= n_frames:
        angles += np.array(steps[:n_frames])
    return angles


def _moves(attributes: Attributes, keyword: str) -> bool | None:
    return {"DYNAMIC": True, "STATIC": False}.get(attributes.text(keyword) or "")


def _r_wave_frames(attributes: Attributes, n_frames: int) -> IntArray:
    try:
        frames = np.array(attributes.numbers("RWavePointer"), dtype=np.int64) - 1
    except InputRefused:
        return np.empty(0, dtype=np.int64)
    return frames[(frames >= 0) & (frames < n_frames)]
