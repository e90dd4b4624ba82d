"""Published worked examples of agreement statistics.

Sources: Bland & Altman, Lancet 1986;327:307-10, peak flow of 17 subjects by two meters, each read twice; Shrout &
Fleiss, Psychol Bull 1979;86:420-8, four judges rating six targets. Full-precision values were computed from the printed
data; the printed results carry rounding, so they are compared with the tolerance stated beside them.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from boreline.benchmark.agreement import (
    Icc,
    LimitError,
    bland_altman,
    by_run,
    coefficient_of_variation_pct,
    intraclass_correlation,
    repeatability,
    weighted_kappa,
)


def series(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


W1 = series("494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427")
W2 = series("490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421")
M1 = series("512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451")
M2 = series("525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443")

JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)


def test_peak_flow_as_printed_in_1986() -> None:
    """Printed: bias -2.1, sd 38.8, limits -79.7 and 75.5 (from the rounded sd), standard errors 9.4 and 16.3."""
    result = bland_altman(W1, M1, factor=2.0, limit_error=LimitError.APPROXIMATE_1986)
    assert result.n == 17
    assert result.bias.value == pytest.approx(-2.1, abs=0.05)
    assert result.sd == pytest.approx(38.8, abs=0.05)
    assert (result.lower.value, result.upper.value) == (pytest.approx(-79.7, abs=0.15), pytest.approx(75.5, abs=0.15))
    assert (result.bias.low, result.bias.high) == (pytest.approx(-22.0, abs=0.1), pytest.approx(17.8, abs=0.1))
    assert result.limit_se == pytest.approx(16.3, abs=0.05)
    assert (result.lower.low, result.lower.high) == (pytest.approx(-114.3, abs=0.2), pytest.approx(-45.1, abs=0.2))
    assert (result.upper.low, result.upper.high) == (pytest.approx(40.9, abs=0.2), pytest.approx(110.1, abs=0.2))


def test_peak_flow_at_full_precision() -> None:
    result = bland_altman(W1, M1)
    assert result.bias.value == pytest.approx(-2.1176, abs=1e-4)
    assert result.sd == pytest.approx(38.7651, abs=1e-4)
    assert result.lower.value == pytest.approx(-78.097, abs=1e-3)
    assert result.upper.value == pytest.approx(73.862, abs=1e-3)
    assert result.limit_se == pytest.approx(16.395, abs=1e-3)


def test_repeatability_of_both_meters() -> None:
    assert repeatability(W1, W2, factor=2.0) == pytest.approx(43.294, abs=1e-3)
    assert repeatability(M1, M2, factor=2.0) == pytest.approx(56.316, abs=1e-3)


def test_means_of_replicates() -> None:
    result = bland_altman((W1 + W2) / 2, (M1 + M2) / 2)
    assert result.bias.value == pytest.approx(-6.029, abs=1e-3)
    assert result.sd == pytest.approx(33.204, abs=1e-3)


@pytest.mark.parametrize(
    ("form", "printed", "full"),
    [
        (Icc.ONE_WAY_SINGLE, 0.17, 0.1657),
        (Icc.AGREEMENT_SINGLE, 0.29, 0.2898),
        (Icc.CONSISTENCY_SINGLE, 0.71, 0.7148),
        (Icc.ONE_WAY_MEAN, 0.44, 0.4428),
        (Icc.AGREEMENT_MEAN, 0.62, 0.6201),
        (Icc.CONSISTENCY_MEAN, 0.91, 0.9093),
    ],
)
def test_intraclass_correlations_as_printed_in_1979(form: Icc, printed: float, full: float) -> None:
    value = intraclass_correlation(JUDGES)[form].value
    assert round(value, 2) == printed
    assert value == pytest.approx(full, abs=1e-4)


@pytest.mark.parametrize(
    ("form", "low", "high"),
    [
        (Icc.ONE_WAY_SINGLE, -0.133, 0.723),
        (Icc.AGREEMENT_SINGLE, 0.019, 0.761),
        (Icc.CONSISTENCY_SINGLE, 0.342, 0.946),
    ],
)
def test_intervals_of_intraclass_correlations(form: Icc, low: float, high: float) -> None:
    interval = intraclass_correlation(JUDGES)[form]
    assert (interval.low, interval.high) == (pytest.approx(low, abs=1e-3), pytest.approx(high, abs=1e-3))


def test_identical_judges_agree_perfectly() -> None:
    for form, interval in intraclass_correlation(np.column_stack([W1, W1])).items():
        assert interval.value == pytest.approx(1.0), form


@pytest.mark.parametrize(("quadratic", "weights"), [(True, "quadratic"), (False, "linear")])
def test_weighted_kappa_equals_statsmodels(quadratic: bool, weights: str) -> None:
    """Reference library: statsmodels.stats.inter_rater.cohens_kappa."""
    rng = np.random.default_rng(3)
    first = rng.integers(0, 5, 200)
    second = np.clip(first + rng.integers(-1, 2, 200), 0, 4)
    table = np.zeros((5, 5))
    np.add.at(table, (first, second), 1)
    expected = cohens_kappa(table, wt=weights, return_results=False)
    assert weighted_kappa(list(first), list(second), 5, quadratic=quadratic) == pytest.approx(expected, abs=1e-12)


def test_resampling_runs_widens_the_interval_of_clustered_frames() -> None:
    """Frames that repeat their run's error carry no more information than the runs do."""
    rng = np.random.default_rng(0)
    run = np.repeat(np.arange(20), 50)
    error = rng.normal(0, 1, 20)[run] + rng.normal(0, 0.1, 1000)
    clustered = by_run(lambda i: float(error[i].mean()), [str(r) for r in run], draws=400)
    naive = by_run(lambda i: float(error[i].mean()), [str(i) for i in range(1000)], draws=400)
    assert clustered.high - clustered.low > 3 * (naive.high - naive.low)
    assert clustered.high - clustered.low == pytest.approx(2 * 1.96 / np.sqrt(20), rel=0.4)


def test_coefficient_of_variation_by_hand() -> None:
    assert coefficient_of_variation_pct(np.array([10.0, 12.0]), np.array([12.0, 10.0])) == pytest.approx(
        100 * np.sqrt(2.0) / 11
    )


def test_unequal_series_are_refused() -> None:
    with pytest.raises(ValueError, match="same length"):
        bland_altman(W1, M1[:-1])
