"""What the transducer does: withdrawal, heartbeat, place in the lumen, tilt and rotation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.model import BoolArray, FloatArray, PullbackKind
from boreline_phantoms.records import Scene
from boreline_phantoms.smooth import wander


@dataclass(frozen=True, slots=True)
class Motion:
    """Movement of the transducer relative to the vessel.

    Attributes
    ----------
    off_centre
        Share of the free room in the lumen: 0 = on the axis, 1 = touching the wall.
    turn_deg_per_mm, turn_sd_deg
        Slow rotation of the picture.
    heart_bpm, in_plane_mm, axial_mm, pulsation
        Heartbeat: amplitude across and along the axis, and relative change of the vessel's radius.
    tilt_deg
        Angle between the catheter's and the vessel's axis.
    uneven_rotation
        Largest relative error of the rotation's speed (0 = none; below 1).
    hand
        A manual withdrawal stops and turns back.
    """

    off_centre: float = 0.35
    turn_deg_per_mm: float = 3.0
    turn_sd_deg: float = 4.0
    heart_bpm: float = 66.0
    in_plane_mm: float = 0.08
    axial_mm: float = 0.15
    pulsation: float = 0.01
    tilt_deg: float = 4.0
    uneven_rotation: float = 0.0
    hand: bool = False


@dataclass(frozen=True, slots=True)
class Track:
    """The transducer by frame; all of shape (n,) but `push`, (n, 2), and `warp`, (n, 3, 2).

    `z_mm` is the place along the vessel, `commanded_mm` what the motor or the hand withdrew, `push` the direction and
    share (0..1) of the way to the wall, `warp` cosine and sine amplitudes of the angle error, harmonics 1 to 3.
    `in_guide` overrides where the plan puts the guide catheter.
    """

    z_mm: FloatArray
    commanded_mm: FloatArray
    beat: FloatArray
    push: FloatArray
    turn_rad: FloatArray
    tilt_rad: FloatArray
    tilt_towards_rad: FloatArray
    scale: FloatArray
    warp: FloatArray
    r_waves_ms: FloatArray
    in_guide: BoolArray | None = None


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """A withdrawal known from elsewhere: place of each frame (mm), whether it is in the guide, and the R peaks (s)."""

    place_mm: FloatArray
    in_guide: BoolArray
    beats_s: FloatArray


def track(motion: Motion, scene: Scene, known: Withdrawal | None = None) -> Track:
    """The track of all frames; deterministic by seed."""
    random = np.random.default_rng((scene.seed, 12))
    times_s = scene.times_s()
    if known is not None:
        commanded, beats = known.place_mm, known.beats_s
    else:
        commanded = _by_hand(scene, times_s, random) if motion.hand else scene.motor_mm()
        beats = _beats(motion, times_s, random)
    phase = np.interp(times_s, beats, np.arange(len(beats), dtype=np.float64)) % 1.0
    if scene.acquisition.kind is PullbackKind.GATED:
        phase = np.full_like(times_s, 0.7)
    # Ejection is quick, filling slow: the swing has a first and a second harmonic.
    swing = 0.8 * np.sin(2 * np.pi * phase) + 0.2 * np.sin(4 * np.pi * phase)
    place = commanded + motion.axial_mm * swing
    direction = random.uniform(0, 2 * np.pi) + wander(random, scale=4.0, sd=0.8)(commanded)
    share = np.clip(motion.off_centre * (1 + wander(random, scale=3.0, sd=0.25)(commanded)), 0, 1)
    if motion.off_centre >= 0.9:
        share = np.clip(share, 0.85, 1)
    sway = wander(random, scale=1.0, sd=1.0)(commanded)
    push = np.stack([share * np.cos(direction), share * np.sin(direction)], axis=-1)
    across = motion.in_plane_mm / 1.2 * swing
    push = push + np.stack([across, across * 0.4 * np.sign(sway)], axis=-1)
    turn = np.deg2rad(motion.turn_deg_per_mm) * commanded + np.deg2rad(motion.turn_sd_deg) * wander(
        random, scale=2.0, sd=1.0
    )(commanded)
    tilt = np.deg2rad(motion.tilt_deg) * (1 + 0.3 * np.tanh(wander(random, scale=5.0, sd=1.0)(commanded)))
    towards = random.uniform(0, np.pi) + wander(random, scale=6.0, sd=0.5)(commanded)
    warp = np.zeros((scene.n_frames, 3, 2))
    for order in range(3):
        for part in range(2):
            # The angle error's slope is the speed's error; harmonics share it.
            limit = motion.uneven_rotation / (order + 1) / 3
            warp[:, order, part] = limit * np.tanh(wander(random, scale=0.4, sd=1.0)(times_s))
    scale = 1 + motion.pulsation * swing
    inside = beats[(beats >= 0) & (beats <= times_s[-1])] * 1000
    in_guide = None if known is None else known.in_guide
    return Track(place, commanded, phase, push, turn, tilt, towards, scale, warp, inside, in_guide)


def _beats(motion: Motion, times_s: FloatArray, random: np.random.Generator) -> FloatArray:
    """Times of the R peaks, from before the first frame to after the last, with slight variation."""
    mean_s = 60.0 / motion.heart_bpm
    count = int(times_s[-1] / mean_s * 1.3) + 6
    intervals = mean_s * (1 + 0.04 * np.clip(random.normal(size=count), -2.5, 2.5))
    start: float = -mean_s * random.uniform(0.1, 0.9)
    return start + np.concatenate([[0.0], np.cumsum(intervals)])


def _by_hand(scene: Scene, times_s: FloatArray, random: np.random.Generator) -> FloatArray:
    """A hand: uneven speed, short stops, a few slides back."""
    speed = scene.acquisition.speed_mm_s * (1 + 0.6 * np.tanh(wander(random, scale=0.7, sd=1.0)(times_s)))
    pace = wander(random, scale=1.2, sd=1.0)(times_s)
    speed = np.where(pace > 1.1, 0.0, speed)
    speed = np.where(pace < -1.35, -0.5 * speed, speed)
    return np.concatenate([[0.0], np.cumsum(speed[1:] * np.diff(times_s))])
