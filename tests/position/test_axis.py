"""Positions from a stated motion, against the definitions of PS3.3 C.8.5.6 worked by hand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from boreline.errors import InputRefused
from boreline.model import (
    AxisSource,
    Calibration,
    CalibrationOrigin,
    Frame,
    Pullback,
    PullbackKind,
    Region,
    Run,
    Source,
    Timing,
)
from boreline.position import axis_from_pullback


def _no_pixels(start: int, stop: int) -> Iterator[Frame]:
    raise AssertionError("a stated motion needs no pixels")


def make_run(pullback: Pullback, times_s: np.ndarray | None, r_waves_s: list[float] | None = None, n: int = 11) -> Run:
    return Run(
        source=Source("1", "2", "3", "4", "1.2", "MONOCHROME2", 64, 64, n, 8, "none", "IVUS", False, None),
        calibration=Calibration(0.02, 0.02, CalibrationOrigin.REGION, "test"),
        timing=Timing(times_s, "test", np.array(r_waves_s or [])),
        pullback=pullback,
        region=Region(0, 0, 63, 63),
        read_frames=_no_pixels,
    )


TENTHS = np.arange(11) / 10


def test_motor_positions_grow_from_the_first_moving_frame_and_hold_outside() -> None:
    run = make_run(Pullback(PullbackKind.MOTOR, speed_mm_s=0.5, start_frame=2, stop_frame=8), TENTHS)
    axis = axis_from_pullback(run)
    assert axis.source is AxisSource.MOTOR
    expected = [0, 0, 0, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.30, 0.30]
    np.testing.assert_allclose(axis.position_mm, expected, atol=1e-12)
    assert "(0018,3101)" in axis.detail


def test_motor_positions_follow_uneven_frame_times() -> None:
    times_s = np.array([0.0, 0.1, 0.4, 1.0])
    axis = axis_from_pullback(make_run(Pullback(PullbackKind.MOTOR, speed_mm_s=2.0), times_s, n=4))
    np.testing.assert_allclose(axis.position_mm, [0.0, 0.2, 0.8, 2.0])


def test_the_sled_uncertainty_is_the_published_one() -> None:
    axis = axis_from_pullback(make_run(Pullback(PullbackKind.MOTOR, speed_mm_s=0.5), TENTHS))
    # Mean absolute errors of 9.1, 8.8, 18.6 and 17.5 % average to 13.5 %; x 1.2533 for a normal error.
    assert axis.scale_relative_sd == pytest.approx(0.1692, abs=5e-4)
    # 1.50 mm peak to peak is a standard deviation of 0.53 mm for a sinusoid.
    assert axis.local_sd_mm == pytest.approx(0.530, abs=1e-3)


def test_gated_positions_count_r_waves() -> None:
    run = make_run(Pullback(PullbackKind.GATED, gated_mm_per_beat=0.2), TENTHS, r_waves_s=[0.05, 0.35, 0.65])
    axis = axis_from_pullback(run)
    assert axis.source is AxisSource.GATED
    np.testing.assert_allclose(axis.position_mm, [0, 0.2, 0.2, 0.2, 0.4, 0.4, 0.4, 0.6, 0.6, 0.6, 0.6])


def test_gated_without_r_waves_needs_the_operator() -> None:
    run = make_run(Pullback(PullbackKind.GATED, gated_mm_per_beat=0.2), None)
    assert not axis_from_pullback(run).known
    stated = axis_from_pullback(run, one_frame_per_beat=True)
    np.testing.assert_allclose(stated.position_mm, 0.2 * np.arange(11))
    assert "operator states" in stated.detail


@pytest.mark.parametrize("kind", [PullbackKind.MANUAL, PullbackKind.SELECTIVE, PullbackKind.UNKNOWN])
def test_hand_pullbacks_have_no_millimetres_until_the_operator_states_a_speed(kind: PullbackKind) -> None:
    run = make_run(Pullback(kind), TENTHS)
    axis = axis_from_pullback(run)
    assert axis.source is AxisSource.NONE
    assert not axis.known
    assert np.isnan(axis.position_mm).all()
    assert "--pullback-speed MM_S" in axis.detail

    stated = axis_from_pullback(run, operator_speed_mm_s=1.5)
    assert stated.source is AxisSource.OPERATOR_SPEED
    np.testing.assert_allclose(stated.position_mm, 1.5 * TENTHS)
    assert "--pullback-speed 1.5 mm/s" in stated.detail
    assert stated.scale_relative_sd == pytest.approx(0.3677, abs=1e-3)
    assert bool(stated.warnings) == (kind is PullbackKind.SELECTIVE)


def test_an_overridden_rate_is_said() -> None:
    run = make_run(Pullback(PullbackKind.MOTOR, speed_mm_s=0.5), TENTHS)
    axis = axis_from_pullback(run, operator_speed_mm_s=1.0)
    assert axis.position_mm[-1] == pytest.approx(1.0)
    assert "replaces 0.5 mm/s" in axis.warnings[0]


@pytest.mark.parametrize(
    "pullback",
    [Pullback(PullbackKind.MOTOR, speed_mm_s=0.5), Pullback(PullbackKind.MOTOR, problem="rate '0.5m' is no number")],
)
def test_a_motor_run_without_rate_or_times_says_why(pullback: Pullback) -> None:
    axis = axis_from_pullback(make_run(pullback, None))
    assert not axis.known
    assert (pullback.problem or "no usable frame times") in axis.detail


@pytest.mark.parametrize("speed_mm_s", [0.0, -1.0, float("nan"), float("inf")])
def test_an_impossible_speed_is_refused(speed_mm_s: float) -> None:
    with pytest.raises(InputRefused, match="--pullback-speed"):
        axis_from_pullback(make_run(Pullback(PullbackKind.MANUAL), TENTHS), operator_speed_mm_s=speed_mm_s)
