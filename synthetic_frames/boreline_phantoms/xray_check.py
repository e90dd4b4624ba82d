"""What tests and benchmarks of filmed runs share: the IVUS run's clock without pixels, and the error of positions."""

from __future__ import annotations

import numpy as np

from boreline.flags import Flag
from boreline.model import (
    Calibration,
    CalibrationOrigin,
    FloatArray,
    Pullback,
    PullbackKind,
    Region,
    Run,
    Source,
    Timing,
)
from boreline_phantoms.records import CLOCK_UTC_UID
from boreline_phantoms.xray import XrayScene
from boreline_phantoms.xray_writing import IVUS_STARTED_AT


def clocked_run(scene: XrayScene) -> Run:
    """The manual IVUS run of a scene, with its times and R waves and no frames."""
    beats = scene.body.beats_s
    inside = beats[(beats >= 0) & (beats <= scene.ivus_times_s[-1])]
    return Run(
        Source("1", "1", "1", "1", "1", "MONOCHROME2", 64, 64, scene.ivus_frames, 8, "none", "IVUS", False, None),
        Calibration(0.02, 0.02, CalibrationOrigin.REGION, "not used"),
        Timing(scene.ivus_times_s, "scene", inside, IVUS_STARTED_AT.isoformat(), CLOCK_UTC_UID),
        Pullback(PullbackKind.MANUAL),
        Region(0, 0, 63, 63),
        lambda _start, _stop: iter(()),
    )


def mouths_mm(scene: XrayScene) -> list[tuple[float, float]]:
    """First and last place along the vessel of the hole that each branch leaves in its wall, from the guide outwards.

    A branch that leaves the axis at an angle passes the wall farther on, through a hole longer than it is wide.
    """
    holes = []
    for number, (leaves_axis, _, angle_deg) in enumerate(scene.vessel.branches):
        angle = np.radians(abs(angle_deg))
        wall_mm = float(scene.vessel.radius_mm(np.array([leaves_axis]))[0])
        middle = leaves_axis + wall_mm / float(np.tan(angle))
        half = scene.vessel.branch_radius_mm(number) / float(np.sin(angle))
        holes.append((middle - half, middle + half))
    return holes


def true_flags(scene: XrayScene) -> tuple[frozenset[Flag], ...]:
    """What a faultless reading of the IVUS frames would say of branch mouths and guide."""
    holes = mouths_mm(scene)
    return tuple(
        frozenset(
            ({Flag.IN_GUIDE} if along < 0 else set())
            | ({Flag.BRANCH} if any(first < along < last for first, last in holes) else set())
        )
        for along in scene.along_mm(scene.ivus_times_s)
    )


def mean_error_mm(position_mm: FloatArray, true_mm: FloatArray) -> float:
    """Mean absolute error where a position is known, after removing a constant."""
    known = np.isfinite(position_mm)
    off = position_mm[known] - true_mm[known]
    return float(np.abs(off - np.median(off)).mean())
