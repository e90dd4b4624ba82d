"""Cardiac gating: same-phase frames where the heart shows, and none where it does not."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy.signal import butter, find_peaks, sosfiltfilt

from boreline.position import gating
from boreline.position.gating import GatingSource, gate_from_change, gate_from_r_waves, phase_coherence

RATE_HZ = 30.0
TIMES_S = np.arange(900) / RATE_HZ


def heart_beats(seed: int, mean_s: float = 0.85, irregularity: float = 0.05) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.cumsum(np.concatenate([[-0.4], rng.normal(mean_s, irregularity * mean_s, 60)]))


def motion(beats: np.ndarray, noise: float, seed: int) -> np.ndarray:
    """Much change in systole, a smaller bump in early filling, least just before the next beat."""
    phase = np.interp(TIMES_S, beats, np.arange(len(beats))) % 1
    change = 6 * np.exp(-(((phase - 0.2) / 0.1) ** 2)) + 3 * np.exp(-(((phase - 0.55) / 0.12) ** 2))
    return 4 + change + np.random.default_rng(seed + 1000).normal(0, noise, len(TIMES_S))


def test_each_r_wave_keeps_the_nearest_frame() -> None:
    gating = gate_from_r_waves(np.arange(10) / 10, np.array([0.12, 0.46, 0.88, 5.0]))
    assert gating.source is GatingSource.R_WAVES
    assert np.flatnonzero(gating.gated).tolist() == [1, 5, 9]
    assert gating.rate_per_min == pytest.approx(60 / 0.38)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("noise", [0.5, 2.0])
def test_the_pictures_give_one_frame_per_beat_at_one_phase(seed: int, noise: float) -> None:
    beats = heart_beats(seed)
    gating = gate_from_change(TIMES_S, motion(beats, noise, seed))
    assert gating.source is GatingSource.IMAGES
    assert gating.rate_per_min == pytest.approx(60 / 0.85, rel=0.05)
    inside = (beats > 1) & (beats < 29)
    assert abs(int(gating.gated.sum()) - int(inside.sum())) <= 4
    phase = np.interp(gating.beat_s, beats, np.arange(len(beats))) % 1
    resultant = abs(np.mean(np.exp(2j * np.pi * phase)))
    assert resultant > 0.85
    # Published image-based gating spreads by 207 ms (Bajaj et al. 2021); this signal is easier than patients are.
    spread_s = np.sqrt(-2 * np.log(resultant)) / (2 * np.pi) * 0.85
    assert spread_s < 0.1


def test_gating_is_not_forced_on_noise() -> None:
    verdicts = [gate_from_change(TIMES_S, np.random.default_rng(seed).normal(10, 1, 900)).source for seed in range(10)]
    assert verdicts.count(GatingSource.NONE) == 10


def test_too_slow_or_too_short_a_run_is_not_gated() -> None:
    slow = gate_from_change(np.arange(100) / 4.0, np.ones(100))
    short = gate_from_change(np.arange(60) / 30.0, np.ones(60))
    assert slow.source is short.source is GatingSource.NONE
    assert "too few frames per second, or too short" in slow.detail
    assert not slow.gated.any()


def test_coherence_is_one_for_equal_beats_and_low_for_noise() -> None:
    beats = np.arange(0, 30, 0.8)
    assert phase_coherence(np.sin(2 * np.pi * TIMES_S / 0.8), TIMES_S, beats) == pytest.approx(1, abs=0.02)
    assert phase_coherence(np.random.default_rng(0).normal(size=900), TIMES_S, beats) < 0.2


def test_the_band_pass_is_that_of_the_reference_library() -> None:
    """scipy.signal: Butterworth of second order, forwards and backwards, away from the ends."""
    rng = np.random.default_rng(0)
    signal = rng.normal(size=900).cumsum() * 0.1 + np.sin(np.arange(900) * 0.25)
    for low_hz, high_hz in ((0.6, 4.5), (0.7, 1.8)):
        expected = sosfiltfilt(butter(2, [low_hz, high_hz], "bandpass", fs=30.0, output="sos"), signal)
        found = gating._band(signal, low_hz, high_hz, 30.0)
        np.testing.assert_allclose(found[90:-90], expected[90:-90], atol=0.02 * expected.std())
        beats, _ = find_peaks(expected[90:-90], distance=12)
        mine = gating._summits(found[90:-90], 12)
        assert len(mine) == len(beats)
        assert np.abs(mine - beats).max() <= 1


def test_an_analysis_does_not_pay_for_co_registration() -> None:
    """50 MB of scipy.signal, scipy.stats and scipy.optimize, and all of the X-ray code, stay unread."""
    code = "import sys, boreline.workflow.analyse; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "boreline.position.gating" in loaded
    assert not {"boreline.position.coregistration", "scipy.signal", "scipy.stats", "skimage"} & set(loaded)
