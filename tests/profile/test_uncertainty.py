import numpy as np
import pandas as pd
import pytest
from vessels import table

from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.profile.minimum import (
    effective_number,
    largest_draws,
)
from boreline.profile.record import profile_from_table
from boreline.profile.single_frame import smallest_single_frame
from boreline.profile.smoothing import _noise_precision, _roughness, smooth
from boreline.profile.uncertainty import (
    Measured,
    SharedUncertainty,
    VesselDraws,
    length_draws_mm,
    row_correlation,
    row_sd_factor,
)


def test_noise_precision_inverts_the_covariance() -> None:
    """Against numpy: the banded inverse of sd_i sd_j r^|i-j|, independent across a gap."""
    used = np.array([True] * 4 + [False] + [True] * 3)
    sd, r = np.linspace(0.2, 0.5, 8), 0.6
    lower = _noise_precision(sd, used, r)
    dense = np.diag(lower[0]) + np.diag(lower[1, :-1], 1) + np.diag(lower[1, :-1], -1)
    for block in (slice(0, 4), slice(5, 8)):
        i = np.arange(8)[block]
        covariance = np.outer(sd[block], sd[block]) * r ** np.abs(i[:, None] - i[None, :])
        assert dense[block, block] == pytest.approx(np.linalg.inv(covariance))


def test_roughness_is_the_sum_of_squared_second_differences() -> None:
    random = np.random.default_rng(0)
    weight, x = random.uniform(0.5, 2, 8), random.standard_normal(10)
    lower = _roughness(weight)
    dense = sum(np.diag(lower[k, : 10 - k], -k) for k in range(3))
    dense = dense + np.tril(dense, -1).T
    assert x @ dense @ x == pytest.approx((weight * np.diff(x, 2) ** 2).sum())


def test_a_straight_vessel_is_smoothed_to_a_line_and_draws_spread_about_it() -> None:
    random = np.random.default_rng(2)
    true = 7 + 0.01 * np.arange(300)
    noisy = true + 0.3 * random.standard_normal(300)
    fit = smooth(noisy, np.full(300, 0.3), np.ones(300, bool), row_correlation=0.0, step_mm=0.1)
    assert np.abs(fit.mean - true).max() < 0.12
    draws = fit.draws(500, np.random.default_rng(1))
    assert draws.shape == (300, 500)
    assert np.abs(draws.mean(axis=1) - fit.mean).max() < 0.05
    with pytest.raises(ValueError, match="three"):
        smooth(noisy, noisy, np.zeros(300, bool), row_correlation=0.0, step_mm=0.1)


def test_the_minimum_of_an_even_stent_is_not_biased_by_noise() -> None:
    """An even area of 7.0 mm2 read with an sd of 0.3 mm2: the raw minimum is low by k(n) sd, the corrected is not."""
    raw, corrected = [], []
    for seed in range(8):
        noisy = 7.0 + 0.3 * np.random.default_rng(seed).standard_normal(200)
        fit = smooth(noisy, np.full(200, 0.3), np.ones(200, bool), row_correlation=0.0, step_mm=0.1)
        raw.append(noisy.min() - 7.0)
        corrected.append(np.median(fit.draws(400, np.random.default_rng(1)).min(axis=0)) - 7.0)
    assert np.mean(raw) == pytest.approx(-0.3 * 2.746, abs=0.12)  # of 200 normal values: scipy quadrature
    assert abs(np.mean(corrected)) < 0.12
    assert abs(np.mean(corrected)) < abs(np.mean(raw)) / 4


def test_draws_are_repeatable_and_calibration_is_shared() -> None:
    profile = profile_from_table(table(noise=1.0))
    shared = SharedUncertainty(calibration_relative_sd=0.05, axis_scale_relative_sd=0.1)
    draws = VesselDraws(profile, shared, 100, 500, structures=(Structure.LUMEN, Structure.EEM))
    first, again = (list(draws.windows(300)) for _ in range(2))
    assert np.array_equal(first[0].areas_mm2[Structure.LUMEN], again[0].areas_mm2[Structure.LUMEN])
    lumen = first[0].areas_mm2[Structure.LUMEN][200]
    eem = first[0].areas_mm2[Structure.EEM][200]
    ratio = lumen / eem
    assert np.corrcoef(eem, first[0].scale ** 2)[0, 1] > 0.9
    assert abs(np.corrcoef(ratio, first[0].scale ** 2)[0, 1]) < 0.25  # it cancels in ratios
    lengths = length_draws_mm(20.0, shared, first[0])
    assert lengths.std() == pytest.approx(2.0, rel=0.2)
    assert draws.expected(Structure.STENT) is None
    assert draws.expected(Structure.LUMEN) is not None


def test_areas_without_uncertainty_have_no_draws() -> None:
    profile = profile_from_table(table().assign(eem_area_sd_mm2=np.nan))
    window = next(VesselDraws(profile, SharedUncertainty(), 0, 599).windows(10))
    assert set(window.areas_mm2) == {Structure.LUMEN}


def test_shared_uncertainty_of_a_record() -> None:
    shared = SharedUncertainty.from_record({"uncertainty": {"calibration_relative_sd": 0.01, "area_correlation_mm": 2}})
    assert shared.calibration_relative_sd == 0.01
    assert "length scale of the axis" in shared.left_out
    assert SharedUncertainty.from_record({}) == SharedUncertainty()
    with pytest.raises(InputRefused, match="axis_local_sd_mm"):
        SharedUncertainty.from_record({"uncertainty": {"axis_local_sd_mm": "wide"}})


def test_median_of_frames_against_simulation() -> None:
    """Independent frames: the sd of the median of 7 normals, by simulation with numpy."""
    medians = np.median(np.random.default_rng(3).standard_normal((40_000, 7)), axis=1)
    assert row_sd_factor(7, 0.0) == pytest.approx(medians.std(), rel=0.05)
    assert row_sd_factor(1, 5.0) == 1.0
    assert row_sd_factor(6, 1e6) == pytest.approx(1.0, abs=1e-3)


def test_effective_number_of_correlated_readings() -> None:
    assert effective_number(50, 0.0) == pytest.approx(50)
    r, n = 0.8, 30  # against the variance of the mean of a first-order chain
    covariance = r ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    assert effective_number(n, r) == pytest.approx(n**2 / covariance.sum())
    with pytest.raises(ValueError, match="correlation"):
        effective_number(5, 1.0)


def test_sparse_frames_count_as_less_correlated() -> None:
    sparse = table()
    sparse.loc[sparse.index % 3 != 0, "n_frames"] = 0
    sparse.loc[sparse.index % 3 == 0, "n_frames"] = 1
    assert row_correlation(profile_from_table(sparse), SharedUncertainty(area_correlation_frames=3)) < 0.5
    assert row_correlation(profile_from_table(table()), SharedUncertainty(area_correlation_frames=0)) == 0.0


def test_a_number_without_draws() -> None:
    number = Measured(3.0)
    assert number.as_json() == {"value": 3.0, "sd": None, "low": None, "high": None}
    assert number.centred() is number
    assert number.middle == 3.0


def test_a_jump_is_not_smoothed_away() -> None:
    """An even lumen of 6 inside a stent and 8 mm2 outside: without the jump the edges would be rounded."""
    true = np.where((np.arange(300) >= 100) & (np.arange(300) < 200), 6.0, 8.0)
    noisy = true + 0.2 * np.random.default_rng(1).standard_normal(300)
    sd, used = np.full(300, 0.2), np.ones(300, bool)
    sharp = smooth(noisy, sd, used, row_correlation=0.0, step_mm=0.1, jumps=(100, 200)).mean
    soft = smooth(noisy, sd, used, row_correlation=0.0, step_mm=0.1).mean
    edge = slice(95, 105)
    assert np.abs(sharp - true)[edge].max() < 0.25
    assert np.abs(sharp - true)[edge].max() < np.abs(soft - true)[edge].max()
    blind = used.copy()
    blind[100:200] = False  # nothing read between the jumps: they are bridged like any gap
    bridged = smooth(noisy, sd, blind, row_correlation=0.0, step_mm=0.1, jumps=(100, 200)).mean
    assert np.abs(bridged[:90] - 8.0).max() < 0.25


def test_most_of_the_bias_of_choosing_the_largest_is_taken_out() -> None:
    """An even stretch of 8 mm2: the largest of what is drawn is high, the corrected one less than half as much."""
    raw, corrected = [], []
    for seed in range(40):
        random = np.random.default_rng(seed)
        estimate = 8.0 + 0.1 * random.standard_normal((5, 1))
        draws = estimate + 0.1 * random.standard_normal((5, 2000))
        raw.append(np.median(draws.max(axis=0)) - 8.0)
        corrected.append(np.median(largest_draws(draws)) - 8.0)
    assert np.mean(raw) == pytest.approx(1.163 * 0.1 * np.sqrt(2), abs=0.02)  # expected maximum of five normals
    assert abs(np.mean(corrected)) < np.mean(raw) / 2
    peak = np.array([[8.0], [12.0]]) + 0.1 * np.random.default_rng(1).standard_normal((2, 2000))
    assert np.median(largest_draws(peak)) == pytest.approx(12.0, abs=0.02)  # nothing to choose, nothing to correct
    assert largest_draws(np.array([[1.0], [3.0]])) == pytest.approx([3.0])


def test_a_focal_lesion_keeps_its_minimum() -> None:
    """A bell of 0.5 mm standard deviation: the fitted minimum lies within its uncertainty of the true one."""
    x = np.arange(300) * 0.1
    true = 8.0 - 5.0 * np.exp(-0.5 * ((x - 15.0) / 0.5) ** 2)
    misses = []
    for seed in range(10):
        noisy = true + 0.25 * np.random.default_rng(seed).standard_normal(300)
        fit = smooth(noisy, np.full(300, 0.25), np.ones(300, bool), row_correlation=0.0, step_mm=0.1)
        draws = fit.draws(400, np.random.default_rng(1)).min(axis=0)
        misses.append((np.median(draws) - 3.0) / draws.std())
    assert abs(np.mean(misses)) < 1.5
    assert np.mean(np.abs(misses) < 2.0) >= 0.7


def frames(areas: list[float], flags: list[str]) -> pd.DataFrame:
    return pd.DataFrame({"lumen_area_mm2": areas, "flags": flags})


def test_the_smallest_single_frame_leaves_out_what_is_doubtful_or_no_vessel() -> None:
    found = smallest_single_frame(frames([5.0, 2.0, 3.0, 1.0], ["", "lumen_doubtful", "branch", "in_guide"]))
    assert found is not None
    assert (found.frame, found.area_mm2, found.doubtful, found.n_left_out) == (2, 3.0, False, 1)
    assert "1 doubtful frames left out" in found.words
    only = smallest_single_frame(frames([5.0, 2.0], ["lumen_doubtful", "lumen_doubtful"]))
    assert only is not None
    assert (only.frame, only.doubtful, only.n_left_out) == (1, True, 0)
    assert "every contour is doubtful" in only.words
    plain = smallest_single_frame(frames([5.0, np.nan], ["", ""]))
    assert plain is not None
    assert plain.words == "smallest of single frames, not of the profile: reads lower than the MLA of a plan"
    assert smallest_single_frame(frames([np.nan, 1.0], ["", "rejected"])) is None
