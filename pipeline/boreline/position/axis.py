"""Millimetres from the motion that the file or the operator states: motor, gated motor, or a stated speed.

A withdrawal starts at its most distal place, so position 0 is where the motion starts and positions grow
proximally. DICOM does not state how well a sled keeps its rate; the uncertainties below are published ones.
"""

from __future__ import annotations

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Axis, AxisSource, FloatArray, Pullback, PullbackKind, Run, Timing

_MEAN_ABSOLUTE_TO_SD = float(np.sqrt(np.pi / 2))  # of a normal distribution

SLED_RELATIVE_SD = _MEAN_ABSOLUTE_TO_SD * float(np.mean([0.091, 0.088, 0.186, 0.175]))
"""Length scale of a motor pullback: stents of known length (8-33 mm) in 180 patients measured 9.1, 8.8, 18.6
and 17.5 % off (mean absolute error of four sleds); averaged, as a standard deviation of a normal error."""

HAND_RELATIVE_SD = float(np.hypot(0.34, 0.14))
"""Length scale of a hand pullback at a stated speed: asked for 1 mm/s, hands gave 1.14 +/- 0.34 mm/s
(Wahle et al. 1998)."""

HEART_SLIDE_MM = 1.50
"""Travel of the transducer along the vessel within a beat (Arbab-Zadeh et al., Am Heart J 1999;138:865-72:
1.50 +/- 0.80 mm, a minimum estimate)."""

_HEART_LOCAL_SD_MM = HEART_SLIDE_MM / (2 * float(np.sqrt(2)))  # of a sinusoid with that travel
_USUAL_BEAT_S = 0.86  # 70 beats per minute: common practice, no source
_COSINE_FALLS_TO_1_E = float(np.arccos(np.exp(-1)) / (2 * np.pi))  # of a period

_REMEDY = "state --pullback-speed MM_S if the speed is known, or co-register with fluoroscopy"
_SLED_SOURCE = f"scale +/- {SLED_RELATIVE_SD:.0%}: published error of four sleds on stents of known length"
_HAND_SOURCE = f"scale +/- {HAND_RELATIVE_SD:.0%}: Wahle 1998, 1.14 +/- 0.34 mm/s by hand when asked for 1 mm/s"


def axis_from_pullback(
    run: Run,
    *,
    operator_speed_mm_s: float | None = None,
    one_frame_per_beat: bool = False,
) -> Axis:
    """Place the frames by the stated motion; without one, no millimetres and the reason.

    Parameters
    ----------
    run
        Its `pullback` and `timing` are used, no pixel is read.
    operator_speed_mm_s
        Speed stated by the operator; overrides what the file says, and the axis says so.
    one_frame_per_beat
        The operator states that a gated run holds one frame per heart beat (needed without R waves).

    Returns
    -------
    Axis
        Motor: ``rate x (t - t_start)``, held outside the start and stop frames (PS3.3 C.8.5.6). Gated: the
        rate times the R waves passed since the start. All NaN with source NONE when neither is stated.

    Raises
    ------
    InputRefused
        The operator's speed is not a positive number.
    """
    if operator_speed_mm_s is not None:
        return _at_operator_speed(run, operator_speed_mm_s)
    pullback = run.pullback
    if pullback.kind is PullbackKind.MOTOR:
        return _at_motor_rate(run)
    if pullback.kind is PullbackKind.GATED:
        return _at_gated_rate(run, one_frame_per_beat)
    words = {
        PullbackKind.MANUAL: "the file declares a manual pullback, whose speed is not known",
        PullbackKind.SELECTIVE: "the file declares a selective acquisition, moved both ways by hand",
        PullbackKind.UNKNOWN: "the file does not state how the transducer was withdrawn",
    }
    return axis_without_position(run.n_frames, pullback.problem or words[pullback.kind])


def axis_without_position(n_frames: int, reason: str) -> Axis:
    """An axis that knows no millimetres and says why and what would give them."""
    return Axis(np.full(n_frames, np.nan), AxisSource.NONE, f"no positions: {reason}; {_REMEDY}")


def _at_motor_rate(run: Run) -> Axis:
    speed_mm_s = run.pullback.speed_mm_s
    if speed_mm_s is None:
        return axis_without_position(
            run.n_frames, run.pullback.problem or "a motor pullback without (0018,3101) IVUS Pullback Rate"
        )
    if run.timing.times_s is None:
        return axis_without_position(run.n_frames, f"no usable frame times ({run.timing.origin})")
    return Axis(
        _travelled_mm(run.timing.times_s, run.pullback, speed_mm_s),
        AxisSource.MOTOR,
        f"(0018,3101) IVUS Pullback Rate {speed_mm_s:g} mm/s; {_SLED_SOURCE}",
        scale_relative_sd=SLED_RELATIVE_SD,
        local_sd_mm=_HEART_LOCAL_SD_MM,
        correlation_mm=_heart_correlation_mm(speed_mm_s, run.timing),
    )


def _at_gated_rate(run: Run, one_frame_per_beat: bool) -> Axis:
    step_mm = run.pullback.gated_mm_per_beat
    if step_mm is None:
        return axis_without_position(
            run.n_frames, run.pullback.problem or "a gated pullback without (0018,3102) IVUS Gated Rate"
        )
    first, last = _moving_frames(run.pullback, run.n_frames)
    if one_frame_per_beat:
        beats = np.arange(run.n_frames, dtype=np.float64)
        how = "one frame per beat, as the operator states"
    elif run.timing.times_s is not None and run.timing.r_waves_s.size:
        beats = np.searchsorted(np.sort(run.timing.r_waves_s), run.timing.times_s, side="right").astype(np.float64)
        how = "counted on (0018,6060) R Wave Time Vector"
    else:
        return axis_without_position(
            run.n_frames, "a gated pullback without R waves, and nobody states that it holds one frame per beat"
        )
    position_mm = step_mm * np.clip(beats - beats[first], 0, beats[last] - beats[first])
    return Axis(
        position_mm,
        AxisSource.GATED,
        f"(0018,3102) IVUS Gated Rate {step_mm:g} mm per beat, {how}; {_SLED_SOURCE}",
        scale_relative_sd=SLED_RELATIVE_SD,
        # The same phase of each beat cancels the heart's slide; the step itself stays (uniform within it).
        local_sd_mm=step_mm / float(np.sqrt(12)),
        correlation_mm=step_mm,
    )


def _at_operator_speed(run: Run, speed_mm_s: float) -> Axis:
    if not (np.isfinite(speed_mm_s) and speed_mm_s > 0):
        raise InputRefused(
            f"{speed_mm_s:g} mm/s is no pullback speed",
            tag="--pullback-speed",
            remedy="give a number above 0, or leave it out",
        )
    if run.timing.times_s is None:
        return axis_without_position(run.n_frames, f"no usable frame times ({run.timing.origin})")
    by_motor = run.pullback.kind in {PullbackKind.MOTOR, PullbackKind.GATED}
    warnings = []
    stated = run.pullback.speed_mm_s
    if stated is not None and abs(stated - speed_mm_s) > 1e-6 * speed_mm_s:
        warnings.append(f"the operator's speed {speed_mm_s:g} mm/s replaces {stated:g} mm/s of the file")
    if run.pullback.kind is PullbackKind.SELECTIVE:
        warnings.append("the file declares an acquisition moved both ways by hand: one speed cannot describe it")
    return Axis(
        _travelled_mm(run.timing.times_s, run.pullback, speed_mm_s),
        AxisSource.OPERATOR_SPEED,
        f"--pullback-speed {speed_mm_s:g} mm/s; {_SLED_SOURCE if by_motor else _HAND_SOURCE}",
        scale_relative_sd=SLED_RELATIVE_SD if by_motor else HAND_RELATIVE_SD,
        local_sd_mm=_HEART_LOCAL_SD_MM,
        correlation_mm=_heart_correlation_mm(speed_mm_s, run.timing),
        warnings=tuple(warnings),
    )


def _moving_frames(pullback: Pullback, n_frames: int) -> tuple[int, int]:
    first = 0 if pullback.start_frame is None else min(max(pullback.start_frame, 0), n_frames - 1)
    last = n_frames - 1 if pullback.stop_frame is None else min(pullback.stop_frame, n_frames - 1)
    return first, max(first, last)


def _travelled_mm(times_s: FloatArray, pullback: Pullback, speed_mm_s: float) -> FloatArray:
    first, last = _moving_frames(pullback, len(times_s))
    travelled: FloatArray = speed_mm_s * (np.clip(times_s, times_s[first], times_s[last]) - times_s[first])
    return travelled


def _heart_correlation_mm(speed_mm_s: float, timing: Timing) -> float:
    beat_s = float(np.median(np.diff(timing.r_waves_s))) if timing.r_waves_s.size > 1 else _USUAL_BEAT_S
    return speed_mm_s * beat_s * _COSINE_FALLS_TO_1_E
