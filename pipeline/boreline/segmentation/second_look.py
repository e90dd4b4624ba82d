"""A second look at lumen borders that ran away, leapt or collapsed, within a band about those of the frames around.

A border that has run to the end of the picture, or that is much larger or smaller than those of the frames around, may
be right: the guide catheter and the aorta begin within a frame or two. So the border is drawn again near the others',
and is kept only where the picture shows a wall there that is nearly as clear as the run's walls usually are.
"""

from __future__ import annotations

import numpy as np

from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.features import Floats, middle

AT_THE_END = 6
"""Samples before the end of the picture from which a border counts as run away."""
_RUN_AWAY_SHARE = 0.08
_AROUND = 12
_LEAST_AROUND = 3
_LEAP = 0.26
"""Absolute logarithm of the areas' ratio: 30 %."""
_BAND, _LEAST_BAND_MM = 0.3, 0.3
_CLEAR_ENOUGH = 0.6
_CERTAIN_VOTE = np.float32(1.0)
CLOSED_WITHIN_MM = 3.0
"""Where nothing is known from the frames around, a coronary lumen is looked for as near as this (radius of the largest:
common practice, no source)."""


def run_away(lumen: FloatArray, to_sample: IntArray) -> BoolArray:
    """Frames whose border, (n_frames, n_rays) in samples, lies at the end of the picture on many rays."""
    with np.errstate(invalid="ignore"):
        astray: BoolArray = (lumen > to_sample - AT_THE_END).mean(axis=1) > _RUN_AWAY_SHARE
    return astray


def leapt(lumen: FloatArray, astray: BoolArray) -> BoolArray:
    """Frames whose area differs by more than 30 % from the median of the frames around that have not run away."""
    square = (lumen**2).mean(axis=1)
    good = np.isfinite(square) & ~astray
    out = np.zeros(len(lumen), dtype=np.bool_)
    for i in np.flatnonzero(good).tolist():
        around = _around(i, good)
        if len(around) >= _LEAST_AROUND:
            out[i] = abs(np.log(square[i] / middle(square[around]))) > _LEAP
    return out


def usual_border(lumen: FloatArray, good: BoolArray, frame: int) -> FloatArray | None:
    """Median border of the good frames around one, ray by ray; None where there are too few."""
    around = _around(frame, good)
    return np.median(lumen[around], axis=0) if len(around) >= _LEAST_AROUND else None


def _around(frame: int, good: BoolArray) -> IntArray:
    frames = np.arange(max(0, frame - _AROUND), min(len(good), frame + _AROUND + 1))
    return frames[good[frames]]


def within_band(voted: Floats, usual: FloatArray, to_sample: IntArray, mm_per_sample: float) -> tuple[Floats, IntArray]:
    """Votes and ends of rays that hold a border near the usual one."""
    reach = np.maximum(_BAND * usual, _LEAST_BAND_MM / mm_per_sample)
    depth = np.arange(voted.shape[1])
    inner = np.where(depth[None, :] < (usual - reach)[:, None], _CERTAIN_VOTE, voted).astype(np.float32)
    ends = np.minimum(to_sample, np.ceil(usual + reach).astype(np.int64))
    return inner, ends


def wall_found(rise: FloatArray, before: FloatArray, usual_rise: float, *, heard: BoolArray) -> bool:
    """Whether a border drawn again stands at a wall: nearly as clear as usual, and no less clear than before."""
    if heard.sum() < len(heard) // 3:
        return False
    clear = float(np.mean(np.clip(rise[heard], 0.0, usual_rise))) / max(usual_rise, 1.0)
    clear_before = float(np.mean(np.clip(before[heard], 0.0, usual_rise))) / max(usual_rise, 1.0)
    return clear > _CLEAR_ENOUGH and clear > clear_before - 0.05
