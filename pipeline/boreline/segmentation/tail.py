"""Blood just behind the ring-down: the tail of the halo makes it brighter, and its speckle seem to last.

How much so is measured at each depth in the blood of the sampled frames. Votes there compare blood as lifted by the
tail with wall as it is anywhere, for wall outshines the tail.
"""

from __future__ import annotations

import numpy as np

from boreline.model import BoolArray, FloatArray
from boreline.segmentation.features import Bytes
from boreline.segmentation.lumen import Tail
from boreline.segmentation.starts import Guess, Sampled, log_ratio, shares_of

N_SAMPLES = 12
"""Depths looked at."""
_LEAST_COUNT = 200
_LARGEST_LIFT = 80  # levels


def tail_of(sampled: Sampled, best: Guess) -> Tail:
    """Measure the tail in the blood of the best guess."""
    first = sampled.ring.end
    if first == 0:
        return Tail(first, np.empty((0, 256), dtype=np.float32), np.empty((0, 256), dtype=np.float32))
    tables = []
    for values in (sampled.grey, sampled.shared):
        blood, wall = shares_of(values, best.blood), shares_of(values, best.wall)
        lifts = _lift(values, best.blood, first)
        tables.append(np.stack([log_ratio(_lifted(blood, lift), wall) for lift in lifts.tolist()]))
    return Tail(first, *tables)


def _lift(values: Bytes, blood: BoolArray, first: int) -> FloatArray:
    """Levels by which blood exceeds blood farther out, whole numbers, (N_SAMPLES,)."""
    count = blood.sum(axis=(0, 1))[first:]
    total = np.where(blood, values, 0).sum(axis=(0, 1), dtype=np.int64)[first:]
    near, later = slice(0, N_SAMPLES), slice(N_SAMPLES, 3 * N_SAMPLES)
    known = count >= _LEAST_COUNT
    if not known[later].any():
        return np.zeros(N_SAMPLES)
    mean = total / np.maximum(count, 1)
    usual = float(np.average(mean[later], weights=np.where(known[later], count[later], 0)))
    lift = np.where(known[near], mean[near] - usual, 0.0)
    lift[0] = lift[1]  # blood is only counted behind the end
    lifted: FloatArray = np.clip(np.rint(lift), 0, _LARGEST_LIFT)
    return lifted


def _lifted(shares: FloatArray, lift: float) -> FloatArray:
    """Shares of each level when all levels are `lift` higher."""
    levels = np.arange(len(shares))
    moved = np.bincount(np.minimum(levels + int(lift), len(shares) - 1), weights=shares, minlength=len(shares))
    all_met: FloatArray = moved + shares.min()
    return all_met
