"""The records that travel between stages.

All are frozen; units are in the field names. Conventions, once for the whole program:

* frames count from 0 in memory and from 1 in files and on screens;
* pixel coordinates are (x, y) = (column, row), whole numbers at pixel centres, of the full DICOM frame;
  images are indexed ``[row, column]``;
* angles are in degrees, 0 to the right (+x) and growing towards +y (clockwise on the screen), measured in
  millimetres (so non-square pixels do not bend them), with the apex at the lumen's centre of mass;
* ``position_mm`` is 0 at the most distal place inside the vessel and grows proximally;
* an unknown number is NaN in memory and an empty cell in a file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from boreline.flags import Flag
from boreline.vocabulary import AxisSource as AxisSource
from boreline.vocabulary import CalibrationOrigin as CalibrationOrigin
from boreline.vocabulary import Origin as Origin
from boreline.vocabulary import Phase as Phase
from boreline.vocabulary import PullbackKind as PullbackKind
from boreline.vocabulary import SectorKind as SectorKind
from boreline.vocabulary import Structure as Structure
from boreline.vocabulary import Vessel as Vessel

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
GreyImage = npt.NDArray[np.uint8]
JsonValue = Any
"""Anything that `json.dumps` accepts."""


ORIGINS = tuple(Origin)
"""`Contours.origin` holds indices into this tuple."""


# ------------------------------------------------------------------------------------------------ a run


@dataclass(frozen=True, slots=True)
class Calibration:
    """Millimetres per pixel, per axis, and where they come from.

    Attributes
    ----------
    mm_per_px_x, mm_per_px_y
        Width of a column and height of a row, finite and > 0.
    origin
        The kind of source.
    detail
        The tag path, option or file that the numbers were read from.
    relative_sd
        Standard uncertainty of the length scale as a fraction, None when unknown. It is shared by all frames.
    """

    mm_per_px_x: float
    mm_per_px_y: float
    origin: CalibrationOrigin
    detail: str
    relative_sd: float | None = None

    def __post_init__(self) -> None:
        for value in (self.mm_per_px_x, self.mm_per_px_y):
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"mm per pixel must be finite and positive, not {value!r}")

    @property
    def mm_per_px(self) -> FloatArray:
        """Shape (2,): x, then y."""
        return np.array([self.mm_per_px_x, self.mm_per_px_y])


@dataclass(frozen=True, slots=True)
class Region:
    """A rectangle of pixels, corners inclusive, as in the Sequence of Ultrasound Regions."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def width_px(self) -> int:
        """Columns covered."""
        return self.x1 - self.x0 + 1

    @property
    def height_px(self) -> int:
        """Rows covered."""
        return self.y1 - self.y0 + 1


@dataclass(frozen=True, slots=True)
class Timing:
    """When the frames were taken.

    Attributes
    ----------
    times_s
        Shape (n_frames,), seconds from the first frame, not decreasing; None without usable timing.
    origin
        The tag or option it was read from, or why there is none.
    r_waves_s
        R peaks in seconds from the first frame; empty when the file has none.
    acquired_at
        Acquisition DateTime in ISO 8601 with zone when stated, None when absent. Identifying: never exported.
    clock_uid
        Synchronization Frame of Reference UID when the file declares its clock synchronised, else None.
    """

    times_s: FloatArray | None
    origin: str
    r_waves_s: FloatArray = field(default_factory=lambda: np.empty(0))
    acquired_at: str | None = None
    clock_uid: str | None = None


@dataclass(frozen=True, slots=True)
class Pullback:
    """The motion that the file declares; numbers are None when absent or unusable (`problem` says why)."""

    kind: PullbackKind
    speed_mm_s: float | None = None
    gated_mm_per_beat: float | None = None
    start_frame: int | None = None  # 0-based
    stop_frame: int | None = None  # 0-based, inclusive
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """The DICOM object behind a run; no patient data."""

    sop_class_uid: str
    sop_instance_uid: str
    study_uid: str
    series_uid: str
    transfer_syntax_uid: str
    photometric: str
    rows: int
    columns: int
    n_frames: int
    bits_stored: int
    decoder: str
    modality: str
    lossy: bool
    burned_in: bool | None  # Burned In Annotation; None = not stated
    transducer_frequency_mhz: float | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded frame: `grey` is (rows, columns) uint8, or None with the reason in `fault`."""

    number: int  # 0-based
    grey: GreyImage | None
    fault: str | None = None


FrameReader = Callable[[int, int], Iterator[Frame]]
"""Decodes frames [start, stop) on demand, in order, with read-ahead; each call is independent."""


@dataclass(frozen=True, slots=True)
class Run:
    """One pullback, its pixels decoded on demand.

    Attributes
    ----------
    region
        The cross-section; nothing outside it is ever measured.
    centre_px
        (x, y) of the catheter axis as the file states it; a start value, never trusted; None when not stated.
    read_frames
        The lazy reader; use `frames`.
    parameters
        Operator's overrides and reader choices, for `run.json`.
    warnings
        One line each, for the report.
    """

    source: Source
    calibration: Calibration
    timing: Timing
    pullback: Pullback
    region: Region
    read_frames: FrameReader
    centre_px: tuple[float, float] | None = None
    vessel: Vessel | None = None
    phase: Phase | None = None
    parameters: Mapping[str, JsonValue] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def n_frames(self) -> int:
        """Frames that can be read."""
        return self.source.n_frames

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Decode frames [start, stop) one after the other; at most a few are in memory at a time."""
        stop = self.n_frames if stop is None else min(stop, self.n_frames)
        return self.read_frames(start, stop)


# ------------------------------------------------------------------------------------------- contours


@dataclass(frozen=True, slots=True)
class Contours:
    """The closed polygons of one structure over a run, at most one per frame.

    Attributes
    ----------
    offsets
        Shape (n_frames + 1,): vertices of frame i are ``xy_px[offsets[i]:offsets[i + 1]]``; none = no contour.
    xy_px
        Shape (n_vertices, 2), float32, in the full frame's pixels; the first vertex is not repeated.
    seen
        Shape (n_vertices,): the border was seen (true) or bridged (false).
    origin
        Shape (n_vertices,), uint8 indices into `ORIGINS`.
    """

    structure: Structure
    offsets: IntArray
    xy_px: npt.NDArray[np.float32]
    seen: BoolArray
    origin: npt.NDArray[np.uint8]

    def __post_init__(self) -> None:
        n = len(self.xy_px)
        if self.xy_px.shape != (n, 2) or len(self.seen) != n or len(self.origin) != n:
            raise ValueError("xy_px, seen and origin must describe the same vertices")
        if self.offsets[0] != 0 or self.offsets[-1] != n or np.any(np.diff(self.offsets) < 0):
            raise ValueError("offsets must rise from 0 to the number of vertices")

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return len(self.offsets) - 1

    @property
    def present(self) -> BoolArray:
        """Shape (n_frames,): the frame has a contour."""
        return np.diff(self.offsets) > 0

    def polygon(self, frame: int) -> FloatArray:
        """Vertices of one frame, shape (n, 2) in pixels; n is 0 when there is no contour."""
        return self.xy_px[self._span(frame)].astype(np.float64)

    def seen_at(self, frame: int) -> BoolArray:
        """Per vertex of one frame: seen (true) or bridged (false)."""
        return self.seen[self._span(frame)]

    def origin_at(self, frame: int) -> npt.NDArray[np.uint8]:
        """Per vertex of one frame: index into `ORIGINS`."""
        return self.origin[self._span(frame)]

    def only(self, frames: Iterable[int]) -> Contours:
        """The contours of some frames; the others have none."""
        wanted = np.zeros(self.n_frames, dtype=np.bool_)
        wanted[list(frames)] = True
        counts = np.diff(self.offsets)
        vertices = np.repeat(wanted, counts)
        return Contours(
            self.structure,
            np.concatenate([[0], np.cumsum(np.where(wanted, counts, 0))]).astype(np.int64),
            self.xy_px[vertices],
            self.seen[vertices],
            self.origin[vertices],
        )

    def _span(self, frame: int) -> slice:
        return slice(int(self.offsets[frame]), int(self.offsets[frame + 1]))

    @classmethod
    def empty(cls, structure: Structure, n_frames: int) -> Contours:
        """No contour in any of `n_frames` frames."""
        return cls.from_polygons(structure, [np.empty((0, 2))] * n_frames)

    @classmethod
    def from_polygons(
        cls,
        structure: Structure,
        polygons: Sequence[FloatArray],
        seen: Sequence[BoolArray] | None = None,
        origin: Sequence[npt.NDArray[np.uint8]] | None = None,
    ) -> Contours:
        """Pack one (n, 2) polygon per frame (n = 0 for none); all vertices seen and automatic unless stated."""
        counts = np.array([len(polygon) for polygon in polygons], dtype=np.int64)
        n = int(counts.sum())
        return cls(
            structure,
            np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
            np.concatenate([*polygons, np.empty((0, 2))]).astype(np.float32),
            np.ones(n, dtype=np.bool_) if seen is None else np.concatenate([*seen, np.empty(0)]).astype(np.bool_),
            np.zeros(n, dtype=np.uint8) if origin is None else np.concatenate([*origin, np.empty(0)]).astype(np.uint8),
        )


@dataclass(frozen=True, slots=True)
class Sectors:
    """Angle ranges over a run, one row each, sorted by frame.

    `frame` is 0-based; ``0 <= start_deg < 360`` and ``start_deg < end_deg <= start_deg + 360``; `depth_mm` is the
    distance from the apex to the leading edge, NaN when it has none.
    """

    frame: IntArray
    kind: tuple[SectorKind, ...]
    start_deg: FloatArray
    end_deg: FloatArray
    depth_mm: FloatArray

    @classmethod
    def empty(cls) -> Sectors:
        """No sector at all."""
        none = np.empty(0)
        return cls(np.empty(0, dtype=np.int64), (), none, none, none)


@dataclass(frozen=True, slots=True)
class Segmentation:
    """What a segmenter returns for a run: contours, sectors, and how far to trust them.

    Attributes
    ----------
    contours
        Lumen, EEM and stent, each over all frames.
    sectors
        Shadow, calcium, guidewire, branch, strut and attenuated ranges.
    confidence
        Per structure, shape (n_frames,), 0..1: chance that the Jaccard index is at least 0.9; NaN without a contour.
    area_sd_mm2
        Per structure, shape (n_frames,): standard uncertainty of the area from the contour alone, NaN when unknown.
    eem_hidden_deg, calcium_arc_deg, malapposition_mm
        Shape (n_frames,); NaN when not assessed.
    flags
        Per frame.
    correlation_frames
        Over how many frames contour errors stay correlated (1/e length), for the minimum's correction.
    learnt
        What was estimated from the run itself (speckle, ring-down, blood level ...), for `run.json`.
    warnings
        One line each, for the report.
    """

    contours: Mapping[Structure, Contours]
    sectors: Sectors
    confidence: Mapping[Structure, FloatArray]
    area_sd_mm2: Mapping[Structure, FloatArray]
    eem_hidden_deg: FloatArray
    calcium_arc_deg: FloatArray
    malapposition_mm: FloatArray
    flags: tuple[frozenset[Flag], ...]
    correlation_frames: float = 1.0
    learnt: Mapping[str, JsonValue] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return len(self.flags)


# --------------------------------------------------------------------------------------------- position


@dataclass(frozen=True, slots=True)
class Axis:
    """Frame -> place along the vessel.

    Attributes
    ----------
    position_mm
        Shape (n_frames,), NaN where unknown; all NaN when `source` is NONE. May stop and go back.
    source
        Where it comes from.
    detail
        The tag, option or registration it was read from, or why there is none.
    scale_relative_sd
        Standard uncertainty of all lengths together, as a fraction (motor speed, X-ray scale, foreshortening).
    local_sd_mm
        Standard uncertainty of one frame's place, beyond the shared scale.
    correlation_mm
        Distance over which local errors stay correlated (1/e length).
    lower_bound
        True when lengths are lower bounds (one foreshortened view).
    """

    position_mm: FloatArray
    source: AxisSource
    detail: str
    scale_relative_sd: float = 0.0
    local_sd_mm: float = 0.0
    correlation_mm: float = 0.0
    lower_bound: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """True when there are millimetres at all."""
        return self.source is not AxisSource.NONE


CAUTION = (
    "Research software, not a medical device. These figures support the operator's judgement, licensed practice "
    "and local protocol; they never replace them."
)
"""Printed with everything that concerns sizing or expansion."""
