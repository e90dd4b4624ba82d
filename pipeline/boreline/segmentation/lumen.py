"""The lumen border: blood inside, anything else outside, by grey level and by shared speckle together.

Every sample votes with the logarithm of how much likelier it is in blood than in wall. The cost of a border at a depth
is the sum of the votes that it puts on the wrong side. Votes come from histograms learnt from the run (`learning`); a
picture that tells nothing apart votes next to nothing, so speckle decides where frames are close, brightness where they
are far apart, and both in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.features import Bytes, Floats, middle
from boreline.segmentation.surfaces import thinned_path

SMALLEST_LUMEN_MM = 0.2
MAX_STEP = 4
"""Samples between neighbouring rays."""
STIFFNESS = 0.12
VOTE_SHARE = 0.16
"""Neighbouring samples repeat each other: about six make one independent vote."""
STRONGEST_VOTE = 3.0
_BLACK, _VIEW = 0.2, (1 / 5, 2 / 3)
"""A ray is black below this share of the median grey of the view's middle, from and to these shares of its depth."""
WALL_MET = 4.0
"""Votes for wall in a row after which a ray has certainly left the lumen: blood seen farther out is none of ours."""
_NO_BORDER = np.float32(1e3)


@dataclass(frozen=True, slots=True)
class BloodModel:
    """Log likelihood ratio, blood over wall, of each grey level and of each level of shared speckle; shape (256,)."""

    by_grey: Floats
    by_shared: Floats


@dataclass(frozen=True, slots=True)
class Tail:
    """Log likelihood ratios, blood over wall, for the depths from sample `first` on; shape (n_depths, 256) each."""

    first: int
    by_grey: Floats
    by_shared: Floats

    def correct(self, voted: Floats, grey: Bytes, shared: Bytes, trust: float) -> None:
        """Put the votes of these depths, not yet limited, in place."""
        _look_up(voted, grey, shared, self.by_grey, self.by_shared, self.first, trust)


@compiled
def _look_up(
    voted: Floats, grey: Bytes, shared: Bytes, by_grey: Floats, by_shared: Floats, first: int, trust: float
) -> None:
    share = np.float32(trust)
    for k in range(voted.shape[0]):
        for row in range(by_grey.shape[0]):
            j = first + row
            voted[k, j] = by_grey[row, grey[k, j]] + share * by_shared[row, shared[k, j]]


def votes(grey: Bytes, shared: Bytes, model: BloodModel, trust: float = 1.0, tail: Tail | None = None) -> Floats:
    """Each sample's vote for blood, shape (n_rays, n_samples); `trust` in the frame's shared speckle, 0..1.

    Behind the last echo of a ray, as a guidewire or calcium leaves it, is neither: no votes.
    """
    total: Floats = cv2.LUT(grey, model.by_grey)
    total += cv2.LUT(shared, model.by_shared * np.float32(trust))
    if tail is not None:
        tail.correct(total, grey, shared, trust)
    np.clip(total, -STRONGEST_VOTE, STRONGEST_VOTE, out=total)
    total *= np.float32(VOTE_SHARE)
    near, far = (int(share * grey.shape[1]) for share in _VIEW)
    _silence_shadows(total, grey, _BLACK * middle(grey[::4, near:far:2].ravel()))
    return total


@compiled
def _silence_shadows(voted: Floats, grey: Bytes, black: float) -> None:
    """Take back, in place, the votes behind the last sample of each ray that is brighter than `black`."""
    for k in range(voted.shape[0]):
        for j in range(voted.shape[1] - 1, -1, -1):
            if grey[k, j] > black:
                break
            voted[k, j] = 0.0


@compiled
def border_cost(voted: Floats, silent_to: int, from_sample: int, to_sample: IntArray, heard: FloatArray) -> Floats:
    """Cost of a lumen border just before each sample.

    `silent_to`: samples under the ring-down, which say nothing; `from_sample`: the least depth of a border;
    `to_sample`: samples inside the picture per ray; `heard`: weight of each ray's votes, 0 to bridge it.
    """
    n_rays, n = voted.shape
    cost = np.empty((n_rays, n), dtype=np.float32)
    met = np.float32(WALL_MET)
    for k in range(n_rays):
        total = np.float32(0.0)
        wall = np.float32(0.0)
        weight = np.float32(heard[k])
        for j in range(n):
            cost[k, j] = total * weight if from_sample <= j <= to_sample[k] else _NO_BORDER
            if j < silent_to:
                continue
            vote = voted[k, j]
            if wall < met:
                wall = max(np.float32(0.0), wall - vote)
                total -= vote
            elif vote < 0:
                total -= vote
    return cost


def lumen_path(
    voted: Floats, silent_to: int, from_sample: int, to_sample: IntArray, heard: FloatArray
) -> tuple[IntArray, Floats]:
    """The best closed border, and the cost that it was found in."""
    cost = border_cost(voted, silent_to, from_sample, to_sample, heard)
    return thinned_path(cost, MAX_STEP, STIFFNESS), cost


@compiled
def held_in(voted: Floats, border: FloatArray, factor: float, heard: FloatArray) -> float:
    """Votes for wall between the border and `factor` times its depth, mean of the rays that are heard; 0 if none is."""
    n_rays, n = voted.shape
    total, count = 0.0, 0
    for k in range(n_rays):
        if heard[k] > 0.0:
            count += 1
            for j in range(min(int(np.rint(border[k])), n), min(int(np.rint(factor * border[k])), n)):
                total -= voted[k, j]
    return total / max(count, 1)


@compiled
def level_behind(grey: Bytes, border: FloatArray, skip: int, depth: int) -> FloatArray:
    """Mean grey level from `skip` to `skip + depth` samples behind the border, per ray."""
    n_rays, n = grey.shape
    out = np.empty(n_rays)
    for k in range(n_rays):
        start = min(int(border[k]) + skip, n - 1)
        stop = min(start + depth, n)
        total = 0
        for j in range(start, stop):
            total += grey[k, j]
        out[k] = total / (stop - start)
    return out


@compiled
def dark_share(grey: Bytes, border: FloatArray, skip: int, depth: int, dark: float) -> FloatArray:
    """Share of the samples from `skip` to `skip + depth` behind the border that are darker than `dark`, per ray."""
    n_rays, n = grey.shape
    out = np.empty(n_rays)
    for k in range(n_rays):
        start = min(int(border[k]) + skip, n - 1)
        stop = min(start + depth, n)
        count = 0
        for j in range(start, stop):
            count += grey[k, j] < dark
        out[k] = count / (stop - start)
    return out


def runs_of_true(wanted: BoolArray) -> list[IntArray]:
    """Cyclic runs of true rays, each as its indices in order."""
    n = len(wanted)
    if wanted.all():
        return [np.arange(n)]
    edges = np.flatnonzero(wanted[1:] != wanted[:-1]) + 1
    if wanted[0] != wanted[-1]:
        edges = np.concatenate([[0], edges])
    if not len(edges):
        return []
    starts, stops = edges[wanted[edges]], edges[~wanted[edges]]
    if stops[0] <= starts[0]:
        stops = np.concatenate([stops[1:], stops[:1] + n])
    return [np.arange(start, stop) % n for start, stop in zip(starts, stops, strict=True)]


def widened(wanted: BoolArray, by: int) -> BoolArray:
    """True also for `by` rays on either side."""
    counts = np.concatenate([[0], np.cumsum(np.concatenate([wanted[-by:], wanted, wanted[:by]]))])
    near: BoolArray = counts[2 * by + 1 :] > counts[: -2 * by - 1]
    return near


def bridged(path: FloatArray, run: IntArray) -> FloatArray:
    """Depths along the straight bridge over a run of rays, between the rays on either side."""
    n = len(path)
    before, after = path[(run[0] - 1) % n], path[(run[-1] + 1) % n]
    share = (np.arange(len(run)) + 1) / (len(run) + 1)
    straight: FloatArray = before + (after - before) * share
    return straight
