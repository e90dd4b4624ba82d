"""Which frame to read next, and when reading on would change nothing.

A frame matters when its contour may be wrong *and* a wrong contour there could change a decision: the frame lies where
a size, a length or a verdict is read (the smallest lumen, references, landing sites, the stent), or its area, if it
were wrong, could become the new minimum. The chance that correcting it changes a decision is the product of both.

Assumed, and shown with every statement: stated confidences are right; frames closer than `STRETCH_MM` err together,
so that one correction mends a stretch; a wrong area is off by `WRONG_RELATIVE_SD`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from boreline.model import BoolArray, FloatArray, IntArray

STRETCH_MM = 1.0
STRETCH_FRAMES = 12
"""The same for a run without millimetres."""
NEAR_MM = 1.5
NEAR_FRAMES = 20
WRONG_RELATIVE_SD = 0.25
"""A contour that is wrong (Jaccard below 0.9) is off by about this share of its area (own choice)."""
ELSEWHERE = 0.02
"""Chance that a wrong frame far from every site changes a decision all the same (own choice)."""
ENOUGH = 0.99


@dataclass(frozen=True, slots=True)
class Doubt:
    """The queue. Frames count from 0.

    Attributes
    ----------
    chance
        Shape (n_frames,): chance that correcting the frame changes a size, a length or a verdict; 0 once reviewed.
    order
        One frame per stretch to check, most rewarding first.
    nothing_changes
        Probability that reading every frame that is left would change nothing.
    n_read, n_left
        Stretches with a chance of their own: settled and still open.
    """

    chance: FloatArray
    order: IntArray
    nothing_changes: float
    n_read: int
    n_left: int

    @property
    def enough(self) -> bool:
        """Reading on would change nothing, with probability `ENOUGH` or more."""
        return self.nothing_changes >= ENOUGH


def doubt(
    place: FloatArray,
    *,
    in_mm: bool,
    lumen_area_mm2: FloatArray,
    confidence: FloatArray,
    eem_confidence: FloatArray,
    stent_confidence: FloatArray,
    usable: BoolArray,
    reviewed: BoolArray,
    sites: Mapping[str, int],
) -> Doubt:
    """Order the frames of a run.

    Parameters
    ----------
    place
        Shape (n_frames,): millimetres, or frame numbers for a run without (`in_mm` false).
    usable
        Frames that show the vessel.
    sites
        Frames (0-based) where decisions are read, by name.
    """
    near, stretch = (NEAR_MM, STRETCH_MM) if in_mm else (NEAR_FRAMES, STRETCH_FRAMES)
    at_sites = _nearness(place, sites, near)
    lumen_wrong = 1.0 - np.nan_to_num(confidence, nan=0.5)
    others_wrong = 1.0 - np.fmin(np.nan_to_num(eem_confidence, nan=1.0), np.nan_to_num(stent_confidence, nan=1.0))
    new_minimum = _may_be_minimum(lumen_area_mm2, usable)
    matters = np.maximum(np.maximum(at_sites, new_minimum), ELSEWHERE)
    all_frames = np.maximum(lumen_wrong * matters, others_wrong * np.maximum(at_sites, ELSEWHERE))
    all_frames = np.where(usable & np.isfinite(place), all_frames, 0.0)
    chance = np.where(reviewed | _mended(place, reviewed, stretch), 0.0, all_frames)
    order = _one_per_stretch(chance, place, stretch)
    return Doubt(
        chance,
        order,
        float(np.prod(1.0 - chance[order])),
        n_read=max(0, len(_one_per_stretch(all_frames, place, stretch)) - len(order)),
        n_left=len(order),
    )


def _nearness(place: FloatArray, sites: Mapping[str, int], near: float) -> FloatArray:
    out = np.zeros(len(place))
    for frame in sites.values():
        if 0 <= frame < len(place) and np.isfinite(place[frame]):
            distance = np.nan_to_num(np.abs(place - place[frame]), nan=np.inf)
            out = np.maximum(out, np.exp(-0.5 * (distance / (near / 2.0)) ** 2))
    return out


def _may_be_minimum(area: FloatArray, usable: BoolArray) -> FloatArray:
    """Chance that a wrong frame's true area lies below the smallest one read, or that a low one was read by mistake."""
    known = usable & np.isfinite(area)
    if not known.any():
        return np.zeros(len(area))
    smallest = float(area[known].min())
    with np.errstate(invalid="ignore"):
        below = ndtr((smallest - area) / (WRONG_RELATIVE_SD * np.maximum(area, 1e-6)))
    return np.where(known, np.minimum(2.0 * below, 1.0), 0.0)


def _mended(place: FloatArray, reviewed: BoolArray, stretch: float) -> BoolArray:
    """Frames in the middle of a stretch that was read: a reviewed frame lies within a quarter of it."""
    read = np.sort(place[reviewed & np.isfinite(place)])
    if not read.size:
        return np.zeros(len(place), dtype=np.bool_)
    right = np.clip(np.searchsorted(read, place), 0, len(read) - 1)
    left = np.clip(right - 1, 0, len(read) - 1)
    distance = np.fmin(np.abs(place - read[left]), np.abs(place - read[right]))
    return np.asarray(np.nan_to_num(distance, nan=np.inf) <= stretch / 4.0)


def _one_per_stretch(chance: FloatArray, place: FloatArray, stretch: float) -> IntArray:
    left = np.flatnonzero(chance > 1e-4)
    left = left[np.argsort(-chance[left], kind="stable")]
    taken: list[int] = []
    free = np.ones(len(chance), dtype=np.bool_)
    for frame in left:
        if free[frame]:
            taken.append(int(frame))
            free &= ~(np.abs(place - place[frame]) < stretch / 2.0)
    return np.array(taken, dtype=np.int64)
