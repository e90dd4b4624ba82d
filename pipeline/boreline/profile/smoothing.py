"""What the true areas along a vessel can be, given noisy ones: a smooth curve and its uncertainty.

Model: true areas bend little - their second differences along the grid are normal, with a standard deviation tau
that may vary along the vessel (the prior of an adaptive smoothing spline) - and reading errors have the stated
standard uncertainties and a first-order correlation along the pullback. tau is not chosen but learnt from this run's
own areas: first one value for the whole vessel by likelihood, then its course along the vessel (a few rounds of
expectation and maximisation), then a grid of factors around it, weighted by likelihood, from which draws are taken.
Both precision matrices are banded, so everything takes linear time.

A minimum read off the raw areas is biased low; the minimum of a draw hardly is (see `boreline.profile.minimum`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray
from boreline.profile.record import stretches

MIN_SD_MM2 = 1e-3
"""A reading is never better than this, which keeps the equations well posed."""
_TAUS_MM2 = np.geomspace(3e-6, 0.3, 21)
"""Second differences at a step of 0.1 mm, from a straight vessel to one that bends within a millimetre."""
_TAU_STEP_MM = 0.1
_FACTORS = np.geomspace(1 / 16, 16, 17)
_JUMP_MM2 = 3.0
"""Second differences across a stent's edge, where the lumen may jump."""
_NEGLIGIBLE = 1e-3
_ROUNDS = 4
_BEND_MM = 1.0
"""Smoothing (standard deviation of a normal window) of tau's course along the vessel."""
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
            part = out[:, start : start + int(count)]
            _solve_transposed(factor, part)
            part += mean[:, None]
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
    fit = max(
        (_fit(precision, weighted, np.where(free, _JUMP_MM2, value)) for value in taus),
        key=lambda candidate: candidate.log_likelihood,
    )
    tau = np.full(n_bends, taus[0])
    probes = np.random.default_rng(_PROBE_SEED).standard_normal((len(areas_mm2), _N_PROBES))
    for _ in range(_ROUNDS):
        tau = _bending(fit, probes, ~free, smallest=taus[0], window_rows=_BEND_MM / step_mm)
        fit = _fit(precision, weighted, np.where(free, _JUMP_MM2, tau))
    fits = [_fit(precision, weighted, np.where(free, _JUMP_MM2, tau * factor)) for factor in _FACTORS]
    logs = np.array([component.log_likelihood for component in fits])
    weights = np.exp(logs - logs.max())
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


def _bending(fit: _Fit, probes: FloatArray, counted: BoolArray, *, smallest: float, window_rows: float) -> FloatArray:
    """Expected size of the second differences along the vessel, shape (n - 2,), jumps left out."""
    paths = probes.copy()
    _solve_transposed(fit.factor, paths)
    paths += fit.mean[:, None]
    squared = np.square(np.diff(paths, 2, axis=0)).mean(axis=1)
    total = gaussian_filter1d(np.where(counted, squared, 0.0), window_rows, mode="nearest")
    share = gaussian_filter1d(counted.astype(float), window_rows, mode="nearest")
    spread: FloatArray = np.sqrt(np.maximum(total / np.maximum(share, 1e-6), smallest**2))
    return spread


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


def _solve_transposed(lower: FloatArray, scores: FloatArray) -> None:
    """Back substitution with the transposed banded factor, in place, for all columns at once."""
    inverse = 1.0 / lower[0]
    first, second = lower[1] * inverse, lower[2] * inverse
    for row in range(len(inverse) - 1, -1, -1):
        here = scores[row]
        here *= inverse[row]
        if row + 1 < len(inverse):
            here -= first[row] * scores[row + 1]
        if row + 2 < len(inverse):
            here -= second[row] * scores[row + 2]
