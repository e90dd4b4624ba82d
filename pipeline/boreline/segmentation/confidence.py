"""How far to trust each border: the chance of a good contour, and the standard uncertainty of its area."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from boreline.model import BoolArray, FloatArray, Structure
from boreline.segmentation.learning import Learnt
from boreline.segmentation.trace import Traced

_STEADY_FRAMES = 7
_WEAK_SHARE = 0.4
CHANCE: Mapping[Structure, tuple[float, ...]] = {
    Structure.LUMEN: (4.0, -6.0, -40.0, -4.0, -10.0, 0.5),
    Structure.EEM: (4.0, -6.0, -40.0, -4.0, -10.0, 0.5),
}
AREA_SD: Mapping[Structure, tuple[float, ...]] = {
    Structure.LUMEN: (0.012, 0.10, 0.8, 0.05, 0.3),
    Structure.EEM: (0.012, 0.06, 0.8, 0.03, 0.3),
}


@dataclass(frozen=True, slots=True)
class Judged:
    """Per structure, (n_frames,): chance of Jaccard >= 0.9 and standard uncertainty of the area."""

    chance: Mapping[Structure, FloatArray]
    area_sd_mm2: Mapping[Structure, FloatArray]
    correlation_frames: float


def observations(
    learnt: Learnt,
    traced: Traced,
    lumen_mm: FloatArray,
    membrane_mm: FloatArray,
    lumen_seen: BoolArray,
    eem_seen: BoolArray,
) -> dict[Structure, FloatArray]:
    """What the judgement rests on, (n_frames, 6): one, share missing, unsteadiness, share weak, doubt, nats of the run."""
    out = {}
    for structure, radii, seen, strength, doubt in (
        (Structure.LUMEN, lumen_mm, lumen_seen, traced.rise, traced.doubt[:, 0]),
        (Structure.EEM, membrane_mm, eem_seen, traced.ring, traced.doubt[:, 1]),
    ):
        known = np.nan_to_num(radii)
        usual = (
            float(np.median(strength[seen & np.isfinite(strength)])) if (seen & np.isfinite(strength)).any() else 1.0
        )
        mean = np.maximum(known.mean(axis=1), 1e-6)
        steady = median_filter(known, size=(min(_STEADY_FRAMES, len(known)), 1), mode="nearest")
        out[structure] = np.column_stack(
            [
                np.ones(len(known)),
                (~seen).mean(axis=1),
                np.minimum(np.abs(known - steady).mean(axis=1) / mean, 0.5),
                ((np.nan_to_num(strength) < _WEAK_SHARE * usual) & seen).mean(axis=1),
                np.nan_to_num(doubt) * learnt.mm_per_sample / mean,
                np.full(len(known), min(learnt.grey_nats + learnt.shared_nats, 1.0)),
            ]
        )
    return out


def judge(
    learnt: Learnt,
    traced: Traced,
    lumen_mm: FloatArray,
    membrane_mm: FloatArray,
    lumen_seen: BoolArray,
    eem_seen: BoolArray,
) -> Judged:
    """Judge every frame of a run; frames without a border get numbers that mean nothing."""
    seen = observations(learnt, traced, lumen_mm, membrane_mm, lumen_seen, eem_seen)
    chance, area_sd = {}, {}
    for structure, radii in ((Structure.LUMEN, lumen_mm), (Structure.EEM, membrane_mm)):
        x = seen[structure]
        chance[structure] = 1.0 / (1.0 + np.exp(np.clip(-x @ np.array(CHANCE[structure]), -50, 50)))
        area = np.pi * (np.nan_to_num(radii) ** 2).mean(axis=1)
        area_sd[structure] = area * (x[:, :5] @ np.array(AREA_SD[structure]))
    return Judged(chance, area_sd, correlation_frames(lumen_mm))


def correlation_frames(radii_mm: FloatArray) -> float:
    """1/e length of the area's noise along the run, in frames, from the autocorrelation of what a slow trend leaves."""
    area = np.pi * (radii_mm**2).mean(axis=1)
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
