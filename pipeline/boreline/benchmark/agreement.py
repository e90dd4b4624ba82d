"""Agreement between two sets of measurements: two readers, two methods or two repeats.

Differences are always *first minus second* (a tool before its reader). Frames of one run are not independent: wherever
runs are known, intervals come from resampling whole runs.

Sources: Bland & Altman, Lancet 1986;327:307-10 (limits of agreement, repeatability); Bland & Altman, Stat Methods Med
Res 1999;8:135-60 (standard error of a limit); Shrout & Fleiss, Psychol Bull 1979;86:420-8 (intraclass correlation);
Cohen, Psychol Bull 1968;70:213-20 (weighted kappa; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from boreline.model import FloatArray, IntArray

LIMIT_FACTOR = 1.96
BOOTSTRAP_DRAWS = 2000
BOOTSTRAP_SEED = 20_240_229


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its 95 % confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class BlandAltman:
    """Bias and limits of agreement, in the measurements' own unit.

    Attributes
    ----------
    n
        Pairs.
    bias
        Mean difference with its confidence interval (t distribution).
    sd
        Standard deviation of the differences (n - 1).
    lower, upper
        Limits of agreement with their confidence intervals.
    limit_se
        Standard error of one limit.
    """

    n: int
    bias: Interval
    sd: float
    lower: Interval
    upper: Interval
    limit_se: float


class LimitError(StrEnum):
    """Which published standard error of a limit is used."""

    APPROXIMATE_1986 = "sqrt(3 sd^2 / n)"
    EXACT_1999 = "sd sqrt(1/n + factor^2 / (2 (n - 1)))"


def bland_altman(
    first: FloatArray,
    second: FloatArray,
    *,
    factor: float = LIMIT_FACTOR,
    limit_error: LimitError = LimitError.EXACT_1999,
) -> BlandAltman:
    """Limits of agreement of paired measurements.

    Parameters
    ----------
    first, second
        Shape (n,), n >= 3, finite, in the same unit.
    factor
        Limits are bias -/+ factor x sd; the paper of 1986 used 2, today 1.96 is usual.

    Raises
    ------
    ValueError
        Fewer than three pairs, unequal lengths or a number that is not finite.
    """
    difference = _paired(first, second, least=3)
    n = len(difference)
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    bias_se = sd / np.sqrt(n)
    if limit_error is LimitError.APPROXIMATE_1986:
        limit_se = sd * np.sqrt(3.0 / n)
    else:
        limit_se = sd * np.sqrt(1.0 / n + factor**2 / (2.0 * (n - 1)))
    low, high = bias - factor * sd, bias + factor * sd
    return BlandAltman(
        n,
        Interval(bias, bias - t * bias_se, bias + t * bias_se),
        sd,
        Interval(low, low - t * limit_se, low + t * limit_se),
        Interval(high, high - t * limit_se, high + t * limit_se),
        float(limit_se),
    )


def repeatability(first: FloatArray, second: FloatArray, *, factor: float = LIMIT_FACTOR) -> float:
    """Repeatability coefficient of two repeats by one method: factor x root mean square difference."""
    difference = _paired(first, second, least=2)
    return float(factor * np.sqrt(np.mean(difference**2)))


def coefficient_of_variation_pct(first: FloatArray, second: FloatArray) -> float:
    """Within-pair standard deviation (sqrt(mean d^2 / 2)) over the grand mean, in percent."""
    difference = _paired(first, second, least=2)
    grand_mean = float(np.mean(np.concatenate([first, second])))
    return float(100.0 * np.sqrt(np.mean(difference**2) / 2.0) / grand_mean)


def _paired(first: FloatArray, second: FloatArray, *, least: int) -> FloatArray:
    if first.shape != second.shape or first.ndim != 1 or len(first) < least:
        raise ValueError(f"need two series of the same length, at least {least}")
    difference: FloatArray = first - second
    if not np.isfinite(difference).all():
        raise ValueError("measurements must be finite")
    return difference


# ------------------------------------------------------------------------------- intraclass correlation


class Icc(StrEnum):
    """The six forms of Shrout & Fleiss."""

    ONE_WAY_SINGLE = "ICC(1,1)"
    AGREEMENT_SINGLE = "ICC(2,1)"
    CONSISTENCY_SINGLE = "ICC(3,1)"
    ONE_WAY_MEAN = "ICC(1,k)"
    AGREEMENT_MEAN = "ICC(2,k)"
    CONSISTENCY_MEAN = "ICC(3,k)"


def intraclass_correlation(ratings: FloatArray) -> dict[Icc, Interval]:
    """All six intraclass correlations with 95 % intervals.

    Agreement of a tool with a reader is ICC(2,1); ICC(3,1) forgives a constant bias.

    Parameters
    ----------
    ratings
        Shape (n targets, k judges), n >= 2, k >= 2, finite.
    """
    n, k = ratings.shape
    if n < 2 or k < 2 or not np.isfinite(ratings).all():
        raise ValueError("need at least two targets and two judges, all finite")
    grand = ratings.mean()
    ss_targets = k * float(((ratings.mean(axis=1) - grand) ** 2).sum())
    ss_judges = n * float(((ratings.mean(axis=0) - grand) ** 2).sum())
    ss_total = float(((ratings - grand) ** 2).sum())
    bms = ss_targets / (n - 1)
    jms = ss_judges / (k - 1)
    wms = (ss_total - ss_targets) / (n * (k - 1))
    ems = (ss_total - ss_targets - ss_judges) / ((n - 1) * (k - 1))

    one_low, one_high = _f_bounds(bms / wms, n - 1, n * (k - 1)) if wms > 0 else (np.inf, np.inf)
    con_low, con_high = _f_bounds(bms / ems, n - 1, (n - 1) * (k - 1)) if ems > 0 else (np.inf, np.inf)
    agreement = _agreement(n, k, bms, jms, ems)
    return {
        Icc.ONE_WAY_SINGLE: Interval(_ratio(bms - wms, bms + (k - 1) * wms), _single(one_low, k), _single(one_high, k)),
        Icc.AGREEMENT_SINGLE: agreement,
        Icc.CONSISTENCY_SINGLE: Interval(
            _ratio(bms - ems, bms + (k - 1) * ems), _single(con_low, k), _single(con_high, k)
        ),
        Icc.ONE_WAY_MEAN: Interval(_ratio(bms - wms, bms), 1 - 1 / one_low, 1 - 1 / one_high),
        Icc.AGREEMENT_MEAN: Interval(
            _ratio(bms - ems, bms + (jms - ems) / n), *(_of_mean(v, k) for v in (agreement.low, agreement.high))
        ),
        Icc.CONSISTENCY_MEAN: Interval(_ratio(bms - ems, bms), 1 - 1 / con_low, 1 - 1 / con_high),
    }


def _ratio(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0 else float("nan")


def _f_bounds(f: float, df1: int, df2: int) -> tuple[float, float]:
    return f / float(stats.f.ppf(0.975, df1, df2)), f * float(stats.f.ppf(0.975, df2, df1))


def _single(f: float, k: int) -> float:
    return 1.0 if np.isinf(f) else (f - 1) / (f + k - 1)


def _of_mean(single: float, k: int) -> float:
    """Spearman-Brown step from one judge to the mean of k."""
    return k * single / (1 + (k - 1) * single)


def _agreement(n: int, k: int, bms: float, jms: float, ems: float) -> Interval:
    """ICC(2,1) with the interval of Shrout & Fleiss (Satterthwaite degrees of freedom)."""
    value = _ratio(bms - ems, bms + (k - 1) * ems + k * (jms - ems) / n)
    if ems <= 0 or not np.isfinite(value):
        return Interval(value, value, value)
    fj = jms / ems
    v = (
        (k - 1)
        * (n - 1)
        * (k * value * fj + n * (1 + (k - 1) * value) - k * value) ** 2
        / ((n - 1) * k**2 * value**2 * fj**2 + (n * (1 + (k - 1) * value) - k * value) ** 2)
    )
    upper, lower = float(stats.f.ppf(0.975, n - 1, v)), float(stats.f.ppf(0.975, v, n - 1))
    spread = k * jms + (k * n - k - n) * ems
    return Interval(
        value,
        n * (bms - upper * ems) / (upper * spread + n * bms),
        n * (lower * bms - ems) / (spread + n * lower * bms),
    )


# --------------------------------------------------------------------------------------------- categories


def weighted_kappa(first: Sequence[int], second: Sequence[int], n_categories: int, *, quadratic: bool = True) -> float:
    """Chance-corrected agreement of ordered categories 0..n-1, with quadratic or linear weights."""
    table = np.zeros((n_categories, n_categories))
    np.add.at(table, (np.asarray(first), np.asarray(second)), 1.0)
    table /= table.sum()
    i, j = np.indices(table.shape)
    weight = np.abs(i - j).astype(float) ** (2 if quadratic else 1)
    expected = np.outer(table.sum(axis=1), table.sum(axis=0))
    disagreement_by_chance = float((weight * expected).sum())
    if disagreement_by_chance == 0:
        return 1.0
    return float(1.0 - (weight * table).sum() / disagreement_by_chance)


# ---------------------------------------------------------------------------------------- clustered data


def by_run(
    statistic: Callable[[IntArray], float],
    run_of_pair: Sequence[str],
    *,
    draws: int = BOOTSTRAP_DRAWS,
    seed: int = BOOTSTRAP_SEED,
) -> Interval:
    """A statistic with a percentile interval from resampling whole runs.

    Parameters
    ----------
    statistic
        Takes the indices of the pairs to use and returns a number.
    run_of_pair
        The run that each pair comes from.
    """
    names, cluster = np.unique(np.asarray(run_of_pair, dtype=str), return_inverse=True)
    members = [np.flatnonzero(cluster == i) for i in range(len(names))]
    value = statistic(np.arange(len(cluster)))
    if len(names) < 2:
        return Interval(value, float("nan"), float("nan"))
    rng = np.random.default_rng(seed)
    drawn = [
        statistic(np.concatenate([members[i] for i in rng.integers(0, len(names), len(names))])) for _ in range(draws)
    ]
    low, high = np.nanpercentile(np.array(drawn), [2.5, 97.5])
    return Interval(value, float(low), float(high))
