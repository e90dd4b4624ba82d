"""X-ray scenes: one vessel in three dimensions, its motion, and the views and moments in which it is filmed.

Patient coordinates in mm from the isocentre: x to the patient's left, y to the back, z to the head. Times are
seconds from the first IVUS frame on one clock; `along_mm` runs along the vessel from its mouth (0) distally.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from boreline.model import FloatArray

_STEP_MM = 0.25
_HEART_CENTRE_MM = np.array([10.0, 0.0, -25.0])


@dataclass(frozen=True)
class Vessel3D:
    """A smooth curve through space, with calibre and side branches.

    Attributes
    ----------
    length_mm
        From the mouth to the end of the filled vessel.
    bend_deg
        Size of the slow bends; `wiggle_deg` of the fast ones.
    branches
        (mouth along the vessel in mm, length in mm, angle in degrees) of each side branch.
    """

    length_mm: float = 98.0
    bend_deg: float = 35.0
    wiggle_deg: float = 12.0
    heading: tuple[float, float, float] = (0.50, -0.45, -0.74)
    branches: tuple[tuple[float, float, float], ...] = ((24.0, 35.0, 45.0), (55.0, 28.0, -50.0))
    seed: int = 1

    @cached_property
    def _curve(self) -> tuple[FloatArray, FloatArray]:
        along = np.arange(-12.0, self.length_mm + _STEP_MM, _STEP_MM)  # 12 mm of guide before the mouth
        return along, _integrated(along, self.heading, self.bend_deg, self.wiggle_deg, self.seed)

    def points_mm(self, along_mm: FloatArray) -> FloatArray:
        """Places at rest, shape (n, 3); before the mouth the curve continues into the guide."""
        along, points = self._curve
        centred = points - points[len(points) // 2] + _HEART_CENTRE_MM + np.array([0.0, 0.0, 18.0])
        return np.column_stack([np.interp(along_mm, along, centred[:, k]) for k in range(3)])

    def radius_mm(self, along_mm: FloatArray) -> FloatArray:
        """Lumen radius: a taper with one narrowing."""
        share = np.clip(along_mm / self.length_mm, 0, 1)
        narrowing = 0.45 * np.exp(-(((along_mm - 0.42 * self.length_mm) / 5.0) ** 2))
        radius: FloatArray = (1.75 - 0.95 * share) * (1 - narrowing)
        return radius

    def branch_radius_mm(self, number: int) -> float:
        """Radius of one side branch at its mouth."""
        return 0.75 * float(self.radius_mm(np.array([self.branches[number][0]]))[0])

    def branch_points_mm(self, number: int) -> FloatArray:
        """One side branch at rest from its mouth, shape (n, 3)."""
        mouth, length, angle = self.branches[number]
        before, at = self.points_mm(np.array([mouth - 0.5, mouth]))
        forward = (at - before) / np.linalg.norm(at - before)
        side = np.cross(forward, [0.2, 1.0, 0.1])
        side /= np.linalg.norm(side)
        turn = np.radians(angle)
        heading = np.cos(turn) * forward + np.sin(turn) * side
        along = np.arange(0.0, length, _STEP_MM)
        points: FloatArray = at + _integrated(along, tuple(heading), 25.0, 8.0, self.seed + 101 * (number + 1))
        return points


def _integrated(
    along_mm: FloatArray, heading: tuple[float, float, float], bend_deg: float, wiggle_deg: float, seed: int
) -> FloatArray:
    rng = np.random.default_rng(seed)
    forward = np.asarray(heading) / np.linalg.norm(heading)
    side = np.cross(forward, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(forward, side)
    phases = rng.uniform(0, 2 * np.pi, 4)
    span = max(float(along_mm[-1] - along_mm[0]), 1.0)
    slow = 2 * np.pi * along_mm / (1.3 * max(span, 60.0))
    fast = 2 * np.pi * along_mm / rng.uniform(22, 32)
    yaw = np.radians(bend_deg * np.sin(slow + phases[0]) + wiggle_deg * np.sin(fast + phases[1]))
    pitch = np.radians(bend_deg * np.sin(0.8 * slow + phases[2]) + wiggle_deg * np.sin(0.9 * fast + phases[3]))
    if along_mm[0] == 0:  # a branch leaves in its own direction
        yaw, pitch = yaw - yaw[0], pitch - pitch[0]
    tangent = (
        np.outer(np.cos(yaw) * np.cos(pitch), forward)
        + np.outer(np.sin(yaw) * np.cos(pitch), side)
        + np.outer(np.sin(pitch), other)
    )
    steps = np.diff(along_mm, prepend=along_mm[0])
    points: FloatArray = np.cumsum(tangent * steps[:, None], axis=0)
    return points


@dataclass(frozen=True, slots=True)
class View:
    """One direction of the X-ray system (degrees as in DICOM: + = LAO, + = cranial) and its distances."""

    primary_deg: float = -10.0
    secondary_deg: float = 35.0
    source_to_detector_mm: float = 1050.0
    source_to_patient_mm: float = 765.0
    imager_spacing_mm: float = 0.30
    size_px: int = 512

    @property
    def mm_per_px(self) -> float:
        """At the isocentre."""
        return self.imager_spacing_mm * self.source_to_patient_mm / self.source_to_detector_mm

    def axes(self) -> FloatArray:
        """Rows: image right, image up, towards the detector."""
        a, b = np.radians(self.primary_deg), np.radians(self.secondary_deg)
        towards = np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])
        up = np.array([0.0, 0.0, 1.0]) - towards[2] * towards
        up /= np.linalg.norm(up)
        return np.array([np.cross(up, towards), up, towards])

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Pixels (x, y) of places in space, shape (n, 2); perspective."""
        right, up, towards = self.axes() @ points_mm.T
        scale = self.source_to_detector_mm / (self.source_to_patient_mm + towards) / self.imager_spacing_mm
        centre = (self.size_px - 1) / 2
        return np.column_stack([centre + right * scale, centre - up * scale])


@dataclass(frozen=True)
class Body:
    """Heart and lungs in motion.

    Attributes
    ----------
    heart_mm
        Travel of the vessel's end in systole; the mouth moves less than half as much.
    breath_mm
        Travel towards the feet in a breath; `breath_s` its period.
    slide_mm
        Travel of the transducer along the vessel in systole.
    irregularity
        Spread of the beat's length as a fraction.
    """

    heart_mm: float = 4.0
    breath_mm: float = 0.5
    breath_s: float = 4.2
    slide_mm: float = 0.2
    beat_s: float = 0.86
    irregularity: float = 0.04
    seed: int = 1

    @cached_property
    def beats_s(self) -> FloatArray:
        """R waves from two minutes before the IVUS run to five minutes after its start."""
        rng = np.random.default_rng((self.seed, 3))
        lengths = self.beat_s * (1 + self.irregularity * rng.standard_normal(int(420 / self.beat_s) + 10))
        beats: FloatArray = np.cumsum(np.clip(lengths, 0.3, 2.0)) - 120.0
        return beats

    def phase(self, times_s: FloatArray) -> FloatArray:
        """0 at the R wave, towards 1 at the next."""
        phase: FloatArray = np.interp(times_s, self.beats_s, np.arange(len(self.beats_s))) % 1.0
        return phase

    def squeeze(self, times_s: FloatArray) -> FloatArray:
        """Systolic contraction, 0..1."""
        phase = self.phase(times_s)
        squeeze: FloatArray = _bump(phase, 0.32, 0.15) + 0.25 * _bump(phase, 0.62, 0.10)
        return squeeze

    def moved(self, rest_mm: FloatArray, share: FloatArray, time_s: float) -> FloatArray:
        """Places at one time; `share` (n,) is 0 at the vessel's mouth and 1 at its end."""
        now = np.array([time_s])
        squeeze = float(self.squeeze(now)[0])
        twist = float(_bump(self.phase(now), 0.45, 0.12)[0])
        reach = (0.4 + 0.6 * np.clip(share, 0, 1))[:, None]
        inward = (_HEART_CENTRE_MM - rest_mm) / 60.0
        heart = self.heart_mm * reach * (squeeze * (np.array([-0.45, 0.35, 0.55]) + 0.35 * inward))
        heart = heart + self.heart_mm * reach * 0.3 * twist * np.array([0.5, 0.6, -0.2])
        breath = self.breath_mm * np.sin(np.pi * time_s / self.breath_s) ** 4
        moved: FloatArray = rest_mm + heart + breath * np.array([0.05, -0.3, -0.95])
        return moved


def _bump(phase: FloatArray, centre: float, width: float) -> FloatArray:
    away = (phase - centre + 0.5) % 1.0 - 0.5
    bump: FloatArray = np.exp(-((away / width) ** 2))
    return bump


@dataclass(frozen=True, slots=True)
class Hand:
    """The operator's pull: how far along the vessel the transducer lies at any time, the heart's slide apart.

    Attributes
    ----------
    start_mm
        Distance from the mouth at rest before the pull.
    rest_s
        Seconds before the pull.
    legs
        (seconds, mm pulled) one after the other: 0 mm is a stop, a negative number pushes forward.
    """

    start_mm: float = 38.0
    rest_s: float = 2.0
    legs: tuple[tuple[float, float], ...] = ((24.0, 42.0),)
    unsteadiness: float = 0.2
    seed: int = 1

    def along_mm(self, times_s: FloatArray) -> FloatArray:
        """Distance from the mouth; negative inside the guide."""
        grid = np.arange(-1.0, self.rest_s + sum(leg[0] for leg in self.legs) + 1.0, 0.02)
        speed = np.zeros_like(grid)
        begin = self.rest_s
        for seconds, pulled_mm in self.legs:
            speed[(grid >= begin) & (grid < begin + seconds)] = pulled_mm / seconds
            begin += seconds
        rng = np.random.default_rng((self.seed, 11))
        waver = np.convolve(rng.standard_normal(len(grid)), np.hanning(75), "same")
        waver *= self.unsteadiness / max(float(np.std(waver)), 1e-9)
        speed = np.convolve(speed * np.clip(1 + waver, 0.2, 2.5), np.hanning(15) / np.hanning(15).sum(), "same")
        travelled = np.cumsum(speed) * 0.02
        along: FloatArray = self.start_mm - np.interp(times_s, grid, travelled)
        return along


@dataclass(frozen=True, slots=True)
class Film:
    """One X-ray run.

    Attributes
    ----------
    start_s, rate_hz, n_frames
        On the IVUS run's clock; a cine is usually taken before it.
    photons
        Quanta per pixel in the brightest part: fewer = noisier.
    contrast_s
        Seconds from the start to the arrival of contrast at the mouth; None = no contrast (fluoroscopy).
    fill_mm_s
        Speed of the contrast front; `fill_to` the share of the vessel's length it reaches.
    shift_mm
        Breathing level or table shift of the whole run towards the feet.
    r_waves
        The file states R waves.
    """

    view: View
    start_s: float
    rate_hz: float
    n_frames: int
    photons: float = 900.0
    contrast_s: float | None = None
    fill_mm_s: float = 90.0
    fill_to: float = 1.0
    shift_mm: float = 0.0
    r_waves: bool = True

    @property
    def times_s(self) -> FloatArray:
        """Shape (n_frames,), on the IVUS run's clock."""
        return self.start_s + np.arange(self.n_frames) / self.rate_hz


@dataclass(frozen=True, slots=True)
class XrayScene:
    """A vessel, its motion, a pull, and the films of it.

    Attributes
    ----------
    marker_mm
        Length and thickness of the transducer's marker.
    hidden
        (first, last) fluoroscopy frames, 0-based and inclusive, in which the marker cannot be seen.
    clips
        Number of small dense objects that may be mistaken for the marker: some on the chest, some on the heart.
    off_axis_mm
        Distance of the catheter from the vessel's axis.
    """

    name: str
    description: str
    vessel: Vessel3D
    body: Body
    hand: Hand
    fluoro: Film
    cine: Film
    cine2: Film | None = None
    marker_mm: tuple[float, float] = (1.6, 0.9)
    marker_density: float = 1.0
    hidden: tuple[tuple[int, int], ...] = ()
    clips: int = 2
    off_axis_mm: float = 0.0
    guide_french: float = 6.0
    ivus_rate_hz: float = 30.0
    ivus_frames: int = 900
    seed: int = 1
    tags: frozenset[str] = field(default_factory=lambda: frozenset({"xray"}))

    @property
    def ivus_times_s(self) -> FloatArray:
        """Shape (ivus_frames,), seconds from the first IVUS frame."""
        return np.arange(self.ivus_frames) / self.ivus_rate_hz

    def along_mm(self, times_s: FloatArray) -> FloatArray:
        """Distance of the transducer from the vessel's mouth, the heart's slide included."""
        along: FloatArray = self.hand.along_mm(times_s) + self.body.slide_mm * self.body.squeeze(times_s)
        return along

    def position_mm(self) -> FloatArray:
        """Shape (ivus_frames,): 0 at the most distal place visited, growing proximally."""
        along = self.along_mm(self.ivus_times_s)
        position: FloatArray = along.max() - along
        return position

    def visible(self) -> FloatArray:
        """Shape (fluoroscopy frames,), true (1.0) where the marker can be seen."""
        seen = np.ones(self.fluoro.n_frames)
        for first, last in self.hidden:
            seen[first : last + 1] = 0.0
        return seen

    def places_mm(self, along_mm: FloatArray, time_s: float, film: Film) -> FloatArray:
        """Where parts of the vessel (and of the guide before it) lie in space at one time of a film."""
        rest = self.vessel.points_mm(along_mm)
        moved = self.body.moved(rest, along_mm / self.vessel.length_mm, time_s)
        return moved + film.shift_mm * np.array([0.0, 0.0, -1.0])

    def curve_px(self, along_mm: FloatArray, time_s: float, film: Film) -> FloatArray:
        """The same in pixels of the film's view, shape (n, 2)."""
        return film.view.project(self.places_mm(along_mm, time_s, film))

    def marker_px(self) -> FloatArray:
        """Centre of the marker in each fluoroscopy frame, shape (n, 2)."""
        times = self.fluoro.times_s
        along = self.along_mm(times)
        return np.vstack([self.catheter_px(np.array([s]), float(t)) for s, t in zip(along, times, strict=True)])

    def catheter_px(self, along_mm: FloatArray, time_s: float) -> FloatArray:
        """Parts of the catheter in the fluoroscopy view: beside the vessel's axis, where the vessel lets it."""
        places = self.places_mm(along_mm, time_s, self.fluoro)
        room = self.off_axis_mm * np.clip(along_mm / 10.0, 0, 1) * np.sin(2 * np.pi * along_mm / 35.0)
        return self.fluoro.view.project(places + room[:, None] * np.array([0.6, 0.5, 0.6]))
