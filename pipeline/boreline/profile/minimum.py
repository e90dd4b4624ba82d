"""Why the minimum of noisy frames reads low, and how many of the frames count as independent.

The smallest of n independent readings of one true area lies on average k(n) standard deviations below it. Frames
along a pullback are correlated, so n is replaced by an effective number.

The draws of the smoothed areas are free of most of that bias. Their minimum lies in a dip, which smoothing rounds off
by about as much as it makes the smallest of several draws low, so it is taken as it is. A reference is the largest of
a nearly even stretch, where nothing offsets the bias of the selection: there it is measured and taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.integrate import quad
from scipy.special import log_ndtr

from boreline.flags import NOT_VESSEL, Flag, parse_flags
from boreline.model import FloatArray

ALONG_PROFILE = "smallest lumen of the lesion along the profile: median of the frames at each tenth of a millimetre"
"""In words what `boreline plan` and the MLA are; to stand wherever a single frame's minimum is shown too."""


@dataclass(frozen=True, slots=True)
class SingleFrameMinimum:
    """The smallest area of any one frame, which reads lower than the MLA along the profile.

    `frame` is 0-based. `doubtful`: no frame without doubt was left, so this one is doubtful. `n_left_out` frames of
    the vessel took no part because their contour is doubtful.
    """

    frame: int
    area_mm2: float
    doubtful: bool
    n_left_out: int

    @property
    def words(self) -> str:
        """What the number is, for people; to stand beside it."""
        text = "smallest of single frames, not of the profile: reads lower than the MLA of a plan"
        if self.doubtful:
            return f"{text}; every contour is doubtful"
        return f"{text}; {self.n_left_out} doubtful frames left out" if self.n_left_out else text


def smallest_single_frame(frames: pd.DataFrame) -> SingleFrameMinimum | None:
    """The single frame with the smallest lumen; None when none was measured.

    Frames that are no vessel (`boreline.flags.NOT_VESSEL`) never count, those with a doubtful lumen only where there
    are no others: one wrong contour must not become the figure of a run. In a profile they do count, as each place
    takes the median of its frames.

    Parameters
    ----------
    frames
        A frames table (`boreline.columns.FRAMES`).
    """
    lumen = frames["lumen_area_mm2"].to_numpy(dtype=np.float64)
    words = {cell: parse_flags(cell) for cell in frames["flags"].fillna("").unique()}
    flags = [words[cell] for cell in frames["flags"].fillna("")]
    vessel = np.isfinite(lumen) & np.array([not held & NOT_VESSEL for held in flags], dtype=bool)
    sure = vessel & np.array([Flag.LUMEN_DOUBTFUL not in held for held in flags], dtype=bool)
    among = np.flatnonzero(sure if sure.any() else vessel)
    if among.size == 0:
        return None
    frame = int(among[np.argmin(lumen[among])])
    left_out = int(vessel.sum() - among.size)
    return SingleFrameMinimum(frame, float(lumen[frame]), not sure[frame], left_out)


def expected_minimum_score(n: float) -> float:
    """k(n) >= 0: the expected minimum of n independent standard normal readings is -k.

    Standard order statistics, ``n * integral of z phi(z) Phi(z)^(n-1)``; real-valued n >= 1 are allowed.
    """
    if n < 1:
        raise ValueError("at least one reading is needed")

    def weighted(z: float) -> float:
        log_density = -z * z / 2 - math.log(math.sqrt(2 * math.pi)) + (n - 1) * log_ndtr(z) + math.log(n)
        return float(z * math.exp(log_density))

    return float(max(0.0, quad(weighted, -8.0, 12.0, limit=200)[0]))


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
