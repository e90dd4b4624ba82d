"""What the tests of filmed runs share: a run with a clock but no pixels, and the error of a position."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from boreline.model import Calibration, CalibrationOrigin, Pullback, PullbackKind, Region, Run, Source, Timing
from boreline.reading import XrayRun
from boreline_phantoms.records import CLOCK_UTC_UID
from boreline_phantoms.xray import XrayScene


@dataclass(frozen=True)
class Filmed:
    scene: XrayScene
    folder: Path
    run: Run
    fluoro: XrayRun
    cine: XrayRun
    cine2: XrayRun


def clocked_run(scene: XrayScene) -> Run:
    beats = scene.body.beats_s
    inside = beats[(beats >= 0) & (beats <= scene.ivus_times_s[-1])]
    return Run(
        Source("1", "1", "1", "1", "1", "MONOCHROME2", 64, 64, scene.ivus_frames, 8, "none", "IVUS", False, None),
        Calibration(0.02, 0.02, CalibrationOrigin.REGION, "test"),
        Timing(scene.ivus_times_s, "test", inside, "2025-03-14T09:30:00+00:00", CLOCK_UTC_UID),
        Pullback(PullbackKind.MANUAL),
        Region(0, 0, 63, 63),
        lambda _start, _stop: iter(()),
    )


def mean_error_mm(position: np.ndarray, true: np.ndarray) -> float:
    known = np.isfinite(position)
    off = position[known] - true[known]
    return float(np.abs(off - np.median(off)).mean())
