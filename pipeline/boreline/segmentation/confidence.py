"""How far to trust each border: the chance of a good contour, and the standard uncertainty of its area.

A few observations of each frame say most. The chance that the Jaccard index reaches 0.9 is a logistic function of them,
the relative uncertainty of the area an exponential one. The coefficients are data (`confidence.json`), fitted to tuning
scenes only (`benchmarks/segmentation/fit_confidence.py`); on other pictures than the phantoms' they are unproven.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from scipy.ndimage import median_filter

from boreline.model import BoolArray, FloatArray, Structure
from boreline.segmentation.learning import Learnt
from boreline.segmentation.trace import Traced

OBSERVATIONS = (
    "one",
    "share of the border not seen",
    "unsteadiness against neighbouring frames, share of the radius",
    "share of the border seen with little contrast",
    "doubt by the cost, share of the radius, logarithm",
    "out of round: distance from a low-order shape, share of the radius",
    "size of the border against the median of the frames around, absolute logarithm",
    "divergence of grey just inside and just outside the lumen in the run, nats",
    "speckle of the run's blood that lasts as that of the wall does, nats that its divergence falls short",
    "share of the lumen border that lies on the membrane, or that does not, whichever is less",
    "step of grey at the membrane, in spreads of the grey of tissue",
    "votes of brightness per ray against a lumen border 8 % farther out",
    "share of the lumen border under the halo",
    "depth to which the halo reaches, mm",
    "logarithm of how much narrower another border of the run was, that divided blood and wall half as well",
)
_STEADY_FRAMES, _AROUND_FRAMES = 7, 31
_WEAK_SHARE = 0.4
_NATS_OF_LIKENESS = 0.6
"""Divergence in shared speckle that blood without any in common would show, over the wall's own correlation."""
_MOST_NARROWER = 1.0
_SHAPE_ORDER = 3
_ON_MEMBRANE_MM = 0.16
"""Even a normal wall is thicker: a lumen border this near has run out to the membrane, past plaque as dark as blood."""
_ASTRAY_CHANCE, _ASTRAY_LOG_SD = 0.25, -0.7
"""Of a lumen unlike those of the frames around, or at the end of the picture: own choice, half the area."""
_LARGEST_LOG_SD = 0.0
_SMALLEST_LOG_SD = -5.5


@dataclass(frozen=True, slots=True)
class Judged:
    """Per structure, (n_frames,): chance of Jaccard >= 0.9 and standard uncertainty of the area."""

    chance: Mapping[Structure, FloatArray]
    area_sd_mm2: Mapping[Structure, FloatArray]
    correlation_frames: float


@cache
def fitted() -> dict[str, dict[str, list[float]]]:
    """Coefficients by what they are for and by structure, one per entry of `OBSERVATIONS`."""
    text = files("boreline.segmentation").joinpath("confidence.json").read_text(encoding="utf-8")
    stored: dict[str, dict[str, list[float]]] = json.loads(text)
    return stored


def observations(
    learnt: Learnt,
    traced: Traced,
    lumen_mm: FloatArray,
    membrane_mm: FloatArray,
    lumen_seen: BoolArray,
    eem_seen: BoolArray,
) -> dict[Structure, FloatArray]:
    """What the judgement rests on: one column per entry of `OBSERVATIONS`, per frame."""
    out = {}
    short_nats = float(np.clip(_NATS_OF_LIKENESS * learnt.likeness - learnt.shared_nats, -0.3, 0.5))
    edge_nats = float(np.clip(learnt.edge_nats, -0.1, 0.7))
    on_membrane = (np.nan_to_num(membrane_mm - lumen_mm, nan=np.inf) < _ON_MEMBRANE_MM).mean(axis=1)
    known_ring = np.isfinite(traced.ring)
    ring = np.where(known_ring, traced.ring, 0.0).sum(axis=1) / np.maximum(known_ring.sum(axis=1), 1) / learnt.spread
    for structure, radii, seen, strength, doubt in (
        (Structure.LUMEN, lumen_mm, lumen_seen, traced.rise, traced.doubt[:, 0]),
        (Structure.EEM, membrane_mm, eem_seen, traced.ring, traced.doubt[:, 1]),
    ):
        known = np.nan_to_num(radii)
        clear = seen & np.isfinite(strength)
        usual = float(np.median(strength[clear])) if clear.any() else 1.0
        mean = np.maximum(known.mean(axis=1), 1e-6)
        steady = median_filter(known, size=(min(_STEADY_FRAMES, len(known)), 1), mode="nearest")
        around = median_filter(mean, size=min(_AROUND_FRAMES, len(mean)), mode="nearest")
        low_order = np.fft.rfft(known, axis=1)
        low_order[:, _SHAPE_ORDER + 1 :] = 0
        shape = np.fft.irfft(low_order, n=known.shape[1], axis=1)
        out[structure] = np.column_stack(
            [
                np.ones(len(known)),
                (~seen).mean(axis=1),
                np.minimum(np.abs(known - steady).mean(axis=1) / mean, 0.2),
                ((np.nan_to_num(strength) < _WEAK_SHARE * usual) & seen).mean(axis=1),
                np.log(np.maximum(np.nan_to_num(doubt) * learnt.mm_per_sample / mean, 1e-3)),
                np.minimum(np.abs(known - shape).mean(axis=1) / mean, 0.2),
                np.minimum(np.abs(np.log(mean / around)), 0.3),
                np.full(len(known), edge_nats),
                np.full(len(known), short_nats),
                np.minimum(on_membrane, 1.0 - on_membrane),
                ring,
                np.nan_to_num(traced.held_in),
                traced.hidden.mean(axis=1),
                np.full(len(known), learnt.ring.end * learnt.mm_per_sample),
                np.full(len(known), min(learnt.narrower, _MOST_NARROWER)),
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
        odds = x @ np.array(fitted()["log_odds"][structure.value])
        chance[structure] = 1.0 / (1.0 + np.exp(np.clip(-odds, -30, 30)))
        log_sd = x @ np.array(fitted()["log_relative_area_sd"][structure.value])
        # Both borders go astray together: the membrane is looked for beyond the lumen.
        chance[structure] = np.where(traced.astray, np.minimum(chance[structure], _ASTRAY_CHANCE), chance[structure])
        log_sd = np.where(traced.astray, np.maximum(log_sd, _ASTRAY_LOG_SD), log_sd)
        area = np.pi * (np.nan_to_num(radii) ** 2).mean(axis=1)
        area_sd[structure] = area * relative_sd(log_sd)
    return Judged(chance, area_sd, correlation_frames(lumen_mm))


def relative_sd(log_sd: FloatArray) -> FloatArray:
    """Standard uncertainty of the area over the area, from what the fit says of its logarithm."""
    bounded: FloatArray = np.exp(np.clip(log_sd, _SMALLEST_LOG_SD, _LARGEST_LOG_SD))
    return bounded


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
