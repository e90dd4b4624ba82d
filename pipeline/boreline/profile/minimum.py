"""Why the minimum of noisy frames reads low, and how many of the frames count as independent.

The smallest of n independent readings of one true area lies on average k(n) standard deviations below it. Frames
along a pullback are correlated, so n is replaced by an effective number.

The draws of the smoothed areas are free of most of that bias. Their minimum lies in a dip, which smoothing rounds off
by about as much as it makes the smallest of several draws low, so it is taken as it is. A reference is the largest of
a nearly even stretch, where nothing offsets the bias of the selection: there it is measured and taken out.
"""

from __future__ import annotations

import numpy as np

from boreline.model import FloatArray


def effective_number(n_rows: int, row_correlation: float) -> float:
    """Independent readings that n rows are worth when neighbours correlate by `row_correlation` (first-order chain).

    ``n / (1 + 2 sum (1 - k/n) r^k)``, between 1 and n: the usual effective sample size of a mean.
    """
    if n_rows < 1 or not 0 <= row_correlation < 1:
        raise ValueError("needs at least one row and a correlation in [0, 1)")
    r, n = row_correlation, n_rows
    excess = 2 * r / (1 - r) * (1 - (1 - r**n) / (n * (1 - r)))
    return max(1.0, n / (1 + excess))


def largest_draws(draws: FloatArray) -> FloatArray:
    """Draws of the largest value along a stretch, without most of the bias of choosing the largest.

    Parameters
    ----------
    draws
        Shape (n_rows, n): possible true values, one column per draw.

    Returns
    -------
    FloatArray
        Shape (n,). The bias is measured by a parametric bootstrap (Efron, Ann Stat 1979;7:1-26, from memory): the
        expected values with two independent errors (one of reading, one of the draw) against themselves. What the
        expected values themselves make of noise is not seen by it.
    """
    largest = draws.max(axis=0)
    if draws.shape[1] < 2:
        return np.asarray(largest)
    expected = draws.mean(axis=1, keepdims=True)
    twice = draws + np.roll(draws - expected, 1, axis=1)
    return np.asarray(largest - (twice.max(axis=0).mean() - expected.max()))
