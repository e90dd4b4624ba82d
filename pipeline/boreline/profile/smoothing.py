"""What the true areas along a vessel can be, given noisy ones: a smooth curve and its uncertainty.

Model: true areas bend little - their second differences along the grid are normal, with a standard deviation tau
that may vary along the vessel (the prior of an adaptive smoothing spline) - and reading errors have the stated
standard uncertainties and a first-order correlation along the pullback. tau is not chosen but learnt from this run's
own areas by their marginal likelihood ("evidence", with the update of MacKay, Neural Comput 1992;4:415-47, from
memory): one value for the whole vessel, or a course along it that may change within a millimetre or within a few
tenths, as a focal lesion asks. A finer course is paid for by a penalty on what it learns (as in the Bayesian
information criterion), and every candidate takes part in the draws with its weight.
All precision matrices are banded, so everything takes linear time.

A minimum read off the raw areas is biased low; the minimum of a draw hardly is (see `boreline.profile.minimum`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded, solve_banded
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray
from boreline.profile.record import stretches

MIN_SD_MM2 = 1e-3
"""A reading is never better than this, which keeps the equations well posed."""
_TAUS_MM2 = np.geomspace(3e-6, 0.3, 21)
"""Second differences at a step of 0.1 mm, from a straight vessel to one that bends within a millimetre."""
_TAU_STEP_MM = 0.1
_FACTORS = np.geomspace(1 / 8, 8, 13)
_JUMP_MM2 = 3.0
"""Second differences across a stent's edge, where the lumen may jump."""
_NEGLIGIBLE = 1e-3
_ROUNDS = 6
_WINDOWS_MM = (0.3, 1.0)
"""How fast tau may change along the vessel: standard deviations of normal windows."""
_PRIOR_BENDS = 0.5
"""Weight of the vessel's one tau, in bends, where the areas say nothing."""
_N_PROBES = 64
_PROBE_SEED = 7


@dataclass(frozen=True, slots=True)
class Smoothed:
    """The mixture: one banded Cholesky factor (lower, shape (3, n)) and mean (n,) per component."""

    factors: tuple[FloatArray, ...]
    means: tuple[FloatArray, ...]
    weights: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Expected true areas, shape (n,)."""
        return np.asarray(self.weights @ np.stack(self.means))

    def draws(self, n: int, random: np.random.Generator) -> FloatArray:
        """Possible true areas, shape (n_rows, n): one column per draw."""
        counts = random.multinomial(n, self.weights)
        out = random.standard_normal((len(self.means[0]), n))
        start = 0
        for factor, mean, count in zip(self.factors, self.means, counts, strict=True):
            part = slice(start, start + int(count))
            if count:
                out[:, part] = _solve_transposed(factor, out[:, part]) + mean[:, None]
            start += int(count)
        return out


@dataclass(frozen=True, slots=True)
class _Fit:
    factor: FloatArray
    mean: FloatArray
    log_likelihood: float


def smooth(
    areas_mm2: FloatArray,
    sd_mm2: FloatArray,
    used: BoolArray,
    *,
    row_correlation: float,
    step_mm: float,
    jumps: Sequence[int] = (),
) -> Smoothed:
    """Fit the model to the rows in `used`; the others are bridged by the prior alone.

    Parameters
    ----------
    areas_mm2, sd_mm2
        Shape (n,): readings and their standard uncertainties, finite where `used`.
    row_correlation
        Correlation of the errors of neighbouring rows, 0 <= r < 1.
    jumps
        Rows whose area may differ from the row before without bending: the first row of a stent and the first
        beyond it.

    Raises
    ------
    ValueError
        Fewer than three used rows.
    """
    if np.count_nonzero(used) < 3:
        raise ValueError("smoothing needs at least three readings")
    precision = _noise_precision(np.maximum(np.where(used, sd_mm2, 1.0), MIN_SD_MM2), used, row_correlation)
    weighted = _multiply(precision, np.where(used, areas_mm2, 0.0))
    n_bends = len(areas_mm2) - 2
    free = np.zeros(n_bends, dtype=bool)
    for row in jumps if _each_part_is_read(used, jumps) else ():
        free[max(row - 2, 0) : max(row, 0)] = True  # the two second differences that span the jump
    taus = _TAUS_MM2 * (step_mm / _TAU_STEP_MM) ** 1.5

    def fit(tau: FloatArray) -> _Fit:
        return _fit(precision, weighted, np.where(free, _JUMP_MM2, tau))

    fits = [fit(np.full(n_bends, tau)) for tau in taus]
    logs = [candidate.log_likelihood for candidate in fits]
    best = int(np.argmax(logs))
    probes = np.random.default_rng(_PROBE_SEED).standard_normal((len(areas_mm2), _N_PROBES))
    for window_mm in _WINDOWS_MM:
        window_rows = window_mm / step_mm
        bends = 2.0 * math.sqrt(math.pi) * window_rows  # bends that a normal window averages over
        tau, course = np.full(n_bends, taus[best]), fits[best]
        for _ in range(_ROUNDS):
            tau = _bending(course, tau, probes, ~free, window_rows, typical=taus[best], smallest=taus[0])
            course = fit(tau)
        penalty = 0.5 * n_bends / bends * np.log(max(bends, np.e))
        for factor in _FACTORS:
            fits.append(fit(tau * factor))
            logs.append(fits[-1].log_likelihood - penalty)
    weights = np.exp(np.array(logs) - max(logs))
    kept = np.flatnonzero(weights > _NEGLIGIBLE)
    return Smoothed(
        tuple(fits[k].factor for k in kept),
        tuple(fits[k].mean for k in kept),
        weights[kept] / weights[kept].sum(),
    )


def _each_part_is_read(used: BoolArray, jumps: Sequence[int]) -> bool:
    """Whether every stretch between jumps holds readings enough to stand alone."""
    inside = sorted(row for row in jumps if 0 < row < len(used))
    return all(np.count_nonzero(part) >= 3 for part in np.split(used, inside))


def _fit(precision: FloatArray, weighted: FloatArray, tau: FloatArray) -> _Fit:
    """Posterior for one course of tau; the log likelihood is up to a constant (level and slope are free)."""
    factor = cholesky_banded(precision + _roughness(1.0 / tau**2), lower=True)
    mean = cho_solve_banded((factor, True), weighted)
    return _Fit(factor, mean, float(-np.log(factor[0]).sum() - np.log(tau).sum() + weighted @ mean / 2))


def _bending(
    fit: _Fit,
    tau: FloatArray,
    probes: FloatArray,
    counted: BoolArray,
    window_rows: float,
    *,
    typical: float,
    smallest: float,
) -> FloatArray:
    """The next course of tau, shape (n - 2,): squared bends per bend that the readings determine, jumps left out."""
    variance = np.diff(_solve_transposed(fit.factor, probes), 2, axis=0).var(axis=1)
    determined = np.clip(1.0 - variance / tau**2, 0.0, 1.0)
    bends = 2.0 * math.sqrt(math.pi) * window_rows

    def around(values: FloatArray) -> FloatArray:
        mean: FloatArray = gaussian_filter1d(np.where(counted, values, 0.0), window_rows, mode="nearest")
        return bends * mean

    squared = around(np.square(np.diff(fit.mean, 2))) + _PRIOR_BENDS * typical**2
    return np.asarray(np.sqrt(np.maximum(squared / (around(determined) + _PRIOR_BENDS), smallest**2)))


def _noise_precision(sd: FloatArray, used: BoolArray, r: float) -> FloatArray:
    """Inverse covariance of the reading errors, lower banded (3, n); errors across a gap are independent."""
    out = np.zeros((3, len(sd)))
    for start, stop in stretches(used):
        diagonal = np.full(stop - start, (1 + r * r) / (1 - r * r))
        diagonal[[0, -1]] = 1.0 if stop - start == 1 else 1 / (1 - r * r)
        out[0, start:stop] = diagonal / sd[start:stop] ** 2
        out[1, start : stop - 1] = -r / (1 - r * r) / (sd[start : stop - 1] * sd[start + 1 : stop])
    return out


def _roughness(weight: FloatArray) -> FloatArray:
    """Weighted sum of squared second differences as a lower banded matrix (3, n)."""
    n = len(weight) + 2
    out = np.zeros((3, n))
    out[0, : n - 2] += weight
    out[0, 1 : n - 1] += 4 * weight
    out[0, 2:] += weight
    out[1, : n - 2] -= 2 * weight
    out[1, 1 : n - 1] -= 2 * weight
    out[2, : n - 2] = weight
    return out


def _multiply(lower: FloatArray, x: FloatArray) -> FloatArray:
    """Symmetric tridiagonal matrix (lower banded form) times a vector."""
    out = lower[0] * x
    out[1:] += lower[1, :-1] * x[:-1]
    out[:-1] += lower[1, :-1] * x[1:]
    return np.asarray(out)


def _solve_transposed(lower: FloatArray, scores: FloatArray) -> FloatArray:
    """Scores turned into deviations from the mean: the transposed banded factor solved for every column."""
    upper = np.zeros_like(lower)
    upper[2] = lower[0]
    upper[1, 1:] = lower[1, :-1]
    upper[0, 2:] = lower[2, :-2]
    return np.asarray(solve_banded((0, 2), upper, scores))
