"""How far to trust each border: chance of a good contour and standard uncertainty of its area.

Three observations per frame and border say most: how much of it was bridged or weak, how unsteady it is from frame to
frame, and how well blood and wall differ in the whole run. The chance that the Jaccard index reaches 0.9 is a logistic
function of them, the relative uncertainty of the area a linear one. The coefficients were fitted to the phantoms'
tuning scenes, never to reporting ones (`benchmarks/segmentation/fit_judgement.py`), and are data, not physics.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from boreline.model import BoolArray, FloatArray, Structure
from boreline.segmentation.by_evidence.tracing import Learnt, Traced

UNSTEADY_FRAMES = 7
_WEAK_SHARE = 0.35
DOUBTFUL_CHANCE = 0.5

CHANCE: Mapping[Structure, tuple[float, ...]] = {
    Structure.LUMEN: (3.2, -6.0, -45.0, -4.0, 1.5),
    Structure.EEM: (3.5, -5.0, -40.0, -3.0, 0.8),
}
"""Logistic coefficients: constant, share missing, unsteadiness, share weak, nats of the run (at most 1)."""
AREA_SD: Mapping[Structure, tuple[float, ...]] = {
    Structure.LUMEN: (0.012, 0.10, 0.8, 0.05),
    Structure.EEM: (0.012, 0.06, 0.8, 0.03),
}
"""Relative uncertainty of the area: constant, share missing, unsteadiness, share weak."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Per structure, arrays (n_frames,): chance of Jaccard >= 0.9 and standard uncertainty of the area."""

    chance: Mapping[Structure, FloatArray]
    area_sd_mm2: Mapping[Structure, FloatArray]
    correlation_frames: float

    def doubtful(self, structure: Structure) -> BoolArray:
        """Frames that an operator should look at first."""
        return self.chance[structure] < DOUBTFUL_CHANCE


def observations(radii_mm: FloatArray, missing: BoolArray, weak: BoolArray, nats: float) -> FloatArray:
    """What the judgement rests on: (n_frames, 5) with the columns of `CHANCE`."""
    return np.column_stack(
        [
            np.ones(len(radii_mm)),
            missing.mean(axis=1),
            unsteadiness(radii_mm),
            (weak & ~missing).mean(axis=1),
            np.full(len(radii_mm), min(nats, 1.0)),
        ]
    )


def unsteadiness(radii_mm: FloatArray) -> FloatArray:
    """Mean distance of a border from its median over some neighbouring frames, as a share of its mean radius."""
    steady = median_filter(radii_mm, size=(min(UNSTEADY_FRAMES, len(radii_mm)), 1), mode="nearest")
    return np.abs(radii_mm - steady).mean(axis=1) / np.maximum(radii_mm.mean(axis=1), 1e-6)


def frame_observations(
    learnt: Learnt, traced: Traced, lumen_seen: BoolArray, eem_seen: BoolArray
) -> dict[Structure, FloatArray]:
    """The observations of both borders."""
    contrast = np.nan_to_num(traced.contrast.astype(np.float64))
    ordinary = float(np.median(contrast[lumen_seen])) if lumen_seen.any() else 0.0
    score = np.nan_to_num(traced.eem_score.astype(np.float64))
    usual = float(np.median(score[eem_seen])) if eem_seen.any() else 0.0
    nats = learnt.evidence.nats
    return {
        Structure.LUMEN: observations(
            np.nan_to_num(traced.lumen_mm.astype(np.float64)), ~lumen_seen, contrast < _WEAK_SHARE * ordinary, nats
        ),
        Structure.EEM: observations(
            np.nan_to_num(traced.eem_mm.astype(np.float64)), ~eem_seen, score < _WEAK_SHARE * usual, nats
        ),
    }


def judge(learnt: Learnt, traced: Traced, lumen_seen: BoolArray, eem_seen: BoolArray) -> Judgement:
    """Judge every frame of a run; frames without a border get numbers that mean nothing."""
    seen = frame_observations(learnt, traced, lumen_seen, eem_seen)
    radii = {Structure.LUMEN: traced.lumen_mm, Structure.EEM: traced.eem_mm}
    chance, area_sd = {}, {}
    for structure, x in seen.items():
        chance[structure] = 1.0 / (1.0 + np.exp(-x @ np.array(CHANCE[structure])))
        area = np.pi * (np.nan_to_num(radii[structure].astype(np.float64)) ** 2).mean(axis=1)
        area_sd[structure] = area * (x[:, :4] @ np.array(AREA_SD[structure]))
    return Judgement(chance, area_sd, _correlation_frames(traced))


def _correlation_frames(traced: Traced) -> float:
    """1/e length of the lumen area's frame-to-frame noise, in frames: detrended, from its autocorrelation."""
    area = np.pi * (traced.lumen_mm.astype(np.float64) ** 2).mean(axis=1)
    area = area[np.isfinite(area)]
    if len(area) < 30:
        return 1.0
    noise = area - median_filter(area, size=31, mode="nearest")
    power = float((noise * noise).sum())
    if power <= 0:
        return 1.0
    for lag in range(1, min(60, len(noise) // 3)):
        if float((noise[lag:] * noise[:-lag]).sum()) / power < np.exp(-1.0):
            return float(lag)
    return 60.0
