"""The records of a synthetic run: what is recorded, how it is shown, and what is true.

Conventions are those of `boreline.model`: frames from 0 in memory, pixel centres at whole numbers, angles clockwise
on the screen, millimetres unless a name says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import Contours, FloatArray, GreyImage, JsonValue, PullbackKind, Sectors, Structure

if TYPE_CHECKING:
    from boreline_phantoms.xray import XrayScene

CLOCK_UTC_UID = "1.2.840.10008.15.1.1"
"""Synchronization Frame of Reference UID of a clock set to UTC (PS3.3 C.7.4.2)."""


@dataclass(frozen=True, slots=True)
class Picture:
    """The cross-section on the screen: a square field of `field_mm` in pixels of possibly unequal sides.

    Attributes
    ----------
    size_px
        Columns of the cross-section; rows follow from `aspect`.
    field_mm
        Width and height of the field of view.
    aspect
        Height of a pixel over its width.
    """

    size_px: int = 512
    field_mm: float = 10.0
    aspect: float = 1.0

    @property
    def columns(self) -> int:
        """Columns of the cross-section."""
        return self.size_px

    @property
    def rows(self) -> int:
        """Rows of the cross-section."""
        return round(self.size_px / self.aspect)

    @property
    def mm_per_px(self) -> FloatArray:
        """Shape (2,): width of a column and height of a row."""
        across = self.field_mm / self.size_px
        return np.array([across, across * self.aspect])

    @property
    def centre_px(self) -> FloatArray:
        """Shape (2,): the catheter's axis, (x, y) in the cross-section's own pixels."""
        return np.array([(self.columns - 1) / 2, (self.rows - 1) / 2])

    def to_px(self, xy_mm: FloatArray) -> FloatArray:
        """Millimetres from the catheter's axis, shape (..., 2), to pixels."""
        return self.centre_px + xy_mm / self.mm_per_px


@dataclass(frozen=True, slots=True)
class Acquisition:
    """How the run was recorded: the motion, the clock and the frame times.

    Attributes
    ----------
    kind
        In the words of IVUS Acquisition (0018,3100).
    frame_rate_hz
        Frames per second.
    speed_mm_s
        Motor speed; the mean speed of the hand in a manual run, which the file does not state.
    mm_per_beat
        Motor step of a gated run.
    uneven_times
        Frame times jitter by up to 20 % and are written as a Frame Time Vector.
    still_frames
        Frames before the motor starts and after it stops.
    started_at
        Acquisition DateTime, with zone.
    clock_uid
        Synchronization Frame of Reference UID; None = the clock is not declared synchronised.
    """

    kind: PullbackKind = PullbackKind.MOTOR
    frame_rate_hz: float = 30.0
    speed_mm_s: float = 1.0
    mm_per_beat: float = 0.2
    uneven_times: bool = False
    still_frames: tuple[int, int] = (0, 0)
    started_at: str = "20250314093000.000000+0000"
    clock_uid: str | None = CLOCK_UTC_UID


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect reader would write, from the analytic shapes.

    Attributes
    ----------
    columns
        Columns of `frames.csv` that are known, each of shape (n_frames,), NaN where undefined.
    contours, sectors, flags
        As in `boreline.model`; pixels are those of the full DICOM frame.
    motion
        Further columns by frame for `truth/motion.csv`: what the transducer did, whether or not a file could tell.
    r_waves_ms
        R peaks from the start of the first frame, for the file; None = the run carries none.
    """

    columns: Mapping[str, FloatArray]
    contours: Mapping[Structure, Contours]
    sectors: Sectors
    flags: tuple[frozenset[Flag], ...]
    motion: Mapping[str, FloatArray] = field(default_factory=dict)
    r_waves_ms: FloatArray | None = None

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return len(self.flags)


class Content(Protocol):
    """What a scene shows; deterministic in (scene, frame number), whatever the order in which frames are asked for."""

    def truth(self, scene: Scene) -> Truth:
        """Truth of all frames, in the pixels of the cross-section."""
        ...

    def frames(self, scene: Scene, start: int, stop: int) -> Iterator[GreyImage]:
        """Draw frames [start, stop) of the cross-section, uint8 of shape (rows, columns)."""
        ...

    def describe(self, scene: Scene) -> Mapping[str, JsonValue]:
        """Numbers behind the scene, for `truth/scene.json`."""
        ...

    def films(self, scene: Scene) -> XrayScene | None:
        """The X-ray runs that were filmed alongside, if any."""
        ...


@dataclass(frozen=True, slots=True)
class Scene:
    """A named synthetic run.

    Attributes
    ----------
    name, description, tags
        Catalogue entry; tags are words such as exact, typical, hard.
    content
        What it shows.
    n_frames, seed, mhz
        Length, random seed, and centre frequency of the transducer.
    """

    name: str
    description: str
    tags: frozenset[str]
    content: Content
    n_frames: int = 120
    seed: int = 1
    mhz: float = 40.0
    picture: Picture = field(default_factory=Picture)
    acquisition: Acquisition = field(default_factory=Acquisition)

    def with_(
        self,
        *,
        frames: int | None = None,
        seed: int | None = None,
        size: int | None = None,
        mhz: float | None = None,
        picture: Picture | None = None,
        acquisition: Acquisition | None = None,
    ) -> Scene:
        """The same scene with other settings; `size` keeps the field of view and changes the pixels.

        Raises
        ------
        InputRefused
            A setting is out of range.
        """
        picture = self.picture if picture is None else picture
        if size is not None:
            if not 64 <= size <= 2048:
                raise InputRefused(f"{size} px is out of range", tag="--size", remedy="give 64 to 2048")
            picture = replace(picture, size_px=size)
        if frames is not None and not 1 <= frames <= 100_000:
            raise InputRefused(f"{frames} frames are out of range", tag="--frames", remedy="give 1 to 100000")
        if seed is not None and not 0 <= seed < 2**32:
            raise InputRefused(f"seed {seed} is out of range", tag="--seed", remedy="give 0 to 4294967295")
        if mhz is not None and not 10 <= mhz <= 80:
            raise InputRefused(f"{mhz} MHz is out of range", tag="--mhz", remedy="give 10 to 80")
        return replace(
            self,
            n_frames=self.n_frames if frames is None else frames,
            seed=self.seed if seed is None else seed,
            mhz=self.mhz if mhz is None else mhz,
            picture=picture,
            acquisition=self.acquisition if acquisition is None else acquisition,
        )

    def truth(self) -> Truth:
        """Truth of all frames, in the pixels of the cross-section."""
        return self.content.truth(self)

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[GreyImage]:
        """Draw frames [start, stop) one after the other."""
        return self.content.frames(self, start, self.n_frames if stop is None else min(stop, self.n_frames))

    def random(self, *stream: int) -> np.random.Generator:
        """A generator that depends on the seed and on `stream` alone."""
        return np.random.default_rng((self.seed, *stream))

    def times_s(self) -> FloatArray:
        """Shape (n_frames,): seconds from the first frame."""
        step_s = np.full(self.n_frames - 1, 1.0 / self.acquisition.frame_rate_hz)
        if self.acquisition.uneven_times:
            step_s *= 1.0 + 0.2 * self.random(7).uniform(-1, 1, self.n_frames - 1)
        # Whole microseconds, so that the file and the truth hold the same times.
        return np.concatenate([[0.0], np.cumsum(np.round(step_s, 6))])

    def moving(self) -> tuple[int, int]:
        """First and last frame (0-based, inclusive) between which the motor moves."""
        before, after = self.acquisition.still_frames
        first = min(before, self.n_frames - 1)
        return first, max(first, self.n_frames - 1 - after)

    def motor_mm(self) -> FloatArray:
        """Shape (n_frames,): how far the motor has withdrawn the transducer; by beats in a gated run."""
        first, last = self.moving()
        numbers = np.clip(np.arange(self.n_frames), first, last)
        if self.acquisition.kind is PullbackKind.GATED:
            beats: FloatArray = (numbers - first).astype(np.float64)
            return beats * self.acquisition.mm_per_beat
        times_s = self.times_s()
        travel_s: FloatArray = times_s[numbers] - times_s[first]
        return travel_s * self.acquisition.speed_mm_s
