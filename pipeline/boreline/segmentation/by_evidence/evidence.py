"""What tells blood from wall in this run: learnt from the run itself, in nats per pixel.

Two guesses start apart, one from speckle that persists (tissue) or not (blood), one from brightness. Each is refined in
turn: draw the border, count brightness and persistence on either side of it, and use the ratio of the two histograms as
evidence for the next border. Where a cue says nothing in this run (blood frozen, frames far apart, plaque no brighter
than blood) its histograms are alike and it drops out by itself. The guess whose two sides differ more is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray
from boreline.segmentation.by_evidence.lumen import coarse_path, fine_path, wall_cost
from boreline.segmentation.by_evidence.near_field import NearField
from boreline.segmentation.by_evidence.shadows import (
    DEPTH_MM,
    NARROWEST,
    SHADOWED,
    SKIP_MM,
    WIDEST_WIRE,
    WIRE_MARGIN,
    level_behind,
    narrow_sectors,
)
from boreline.segmentation.by_evidence.speckle import Float32Block, brightness, persistence
from boreline.segmentation.polar import PolarBlock

BRIGHTNESS_BINS, PERSISTENCE_BINS = 32, 24
_ROUNDS = 3
_STRONGEST = 4.0
_CLEARLY_BETTER = 0.02
_TEACH = (2, 2, 30)
"""Blood is learnt from this many samples inside the border, wall from the second to the third number outside it."""
_JUDGE = (10, 25, 70)
"""The same, so far from the border that its own edge, which persists too, cannot speak for the tissue."""
LEAST_NATS = 0.06
"""A cue whose two sides differ by less, clear of the border, says nothing in this run and is left out."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Log ratio of wall to blood for each (brightness, persistence), and where it comes from.

    Attributes
    ----------
    table
        Shape (BRIGHTNESS_BINS, PERSISTENCE_BINS), nats.
    start
        Which guess won: `persistence` or `brightness`.
    brightness_nats, persistence_nats
        How far the two sides differ in each cue (Jensen-Shannon divergence, 0 to 0.69).
    behind
        Ordinary grey level behind the wall.
    """

    table: npt.NDArray[np.float32]
    start: str
    brightness_nats: float
    persistence_nats: float
    behind: float

    @property
    def nats(self) -> float:
        """Both cues together: how well the two sides differ."""
        return self.brightness_nats + self.persistence_nats

    def of(self, bright: Float32Block, persistent: Float32Block) -> Float32Block:
        """Evidence for wall of every pixel."""
        return self.table[_bins(bright, persistent)]


def _bins(bright: Float32Block, persistent: Float32Block) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    return (
        np.clip(bright * (BRIGHTNESS_BINS / 256.0), 0, BRIGHTNESS_BINS - 1).astype(np.uint8),
        np.clip((persistent + 0.2) * (PERSISTENCE_BINS / 1.2), 0, PERSISTENCE_BINS - 1).astype(np.uint8),
    )


def learn_evidence(blocks: Sequence[PolarBlock], near_field: NearField, mm_per_sample: float) -> Evidence:
    """Learn from a few blocks of consecutive frames."""
    bright = [brightness(block) - near_field.excess for block in blocks]
    persistent = [persistence(block) for block in blocks]
    guesses = []
    useful = slice(max(near_field.end, 5), int(0.8 * blocks[0].shape[2]))
    for name, cue, softness in (("persistence", persistent, 0.125), ("brightness", bright, 12.0)):
        threshold = _two_class_threshold(np.concatenate([values[..., useful].ravel() for values in cue]))
        evidence = [np.clip((values - threshold) / softness, -2.0, 2.0).astype(np.float32) for values in cue]
        guesses.append(_refine(name, evidence, bright, persistent, near_field, mm_per_sample))
    by_persistence, by_brightness = guesses
    return by_persistence if by_persistence.nats > by_brightness.nats + _CLEARLY_BETTER else by_brightness


def _refine(
    name: str,
    evidence: list[Float32Block],
    bright: list[Float32Block],
    persistent: list[Float32Block],
    near_field: NearField,
    mm_per_sample: float,
) -> Evidence:
    skip, depth = int(SKIP_MM / mm_per_sample), int(DEPTH_MM / mm_per_sample)
    bins = [_bins(b, p) for b, p in zip(bright, persistent, strict=True)]
    behind = None
    for turn in range(_ROUNDS + 1):
        counts, clear = np.zeros((2, 2, BRIGHTNESS_BINS, PERSISTENCE_BINS))
        levels: list[npt.NDArray[np.float32]] = []
        for block, values in enumerate(evidence):
            for t in range(len(values)):
                whole = np.ones(values.shape[1], dtype=np.float32)
                cost = wall_cost(values, t, near_field.weight, whole)
                guess = coarse_path(cost)
                level = level_behind(bright[block][t], guess, skip, depth)
                levels.append(level)
                wire = (
                    np.zeros(len(level), dtype=np.bool_)
                    if behind is None
                    else narrow_sectors(level < SHADOWED * behind, NARROWEST, WIDEST_WIRE, WIRE_MARGIN)
                )
                path = fine_path(wall_cost(values, t, near_field.weight, whole - wire) if wire.any() else cost)
                first = max(near_field.end, near_field.start + 5)
                _count(counts, bins[block], t, path, wire, first, _TEACH)
                _count(clear, bins[block], t, path, wire, first, _JUDGE)
        behind = float(np.percentile(np.concatenate(levels), 60))
        bright_nats, persistent_nats = _divergence(clear, axis=2), _divergence(clear, axis=1)
        table = _log_ratio(counts, persistent=persistent_nats >= LEAST_NATS)
        if turn < _ROUNDS:
            evidence = [table[b] for b in bins]
    return Evidence(table, name, bright_nats, persistent_nats, float(behind or 0.0))


def _count(
    counts: FloatArray,
    bins: tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]],
    frame: int,
    path: npt.NDArray[np.int64],
    wire: npt.NDArray[np.bool_],
    first_useful: int,
    zone: tuple[int, int, int],
) -> None:
    """Add the pixels on either side of one border to the two histograms."""
    depth = np.arange(bins[0].shape[2])
    rays = ~wire[:, None] & (depth >= first_useful)
    inside = rays & (depth < path[:, None] - zone[0])
    outside = rays & (depth > path[:, None] + zone[1]) & (depth < path[:, None] + zone[2])
    for side, mask in enumerate((inside, outside)):
        np.add.at(counts[side], (bins[0][frame][mask], bins[1][frame][mask]), 1.0)


def _log_ratio(counts: FloatArray, *, persistent: bool) -> npt.NDArray[np.float32]:
    """Log ratio of wall to blood per cell; without the persistence cue it depends on brightness alone."""
    if not persistent:
        counts = np.broadcast_to(counts.mean(axis=2, keepdims=True), counts.shape)
    smooth = np.stack([cv2.GaussianBlur(side, (0, 0), 0.8) for side in counts]) + 1e-3
    share = smooth / smooth.sum(axis=(1, 2), keepdims=True) + 1e-5
    ratio: npt.NDArray[np.float32] = np.clip(np.log(share[1] / share[0]), -_STRONGEST, _STRONGEST).astype(np.float32)
    return ratio


def _divergence(counts: FloatArray, *, axis: int) -> float:
    """Jensen-Shannon divergence of the two sides in one cue, in nats."""
    share = counts.sum(axis=axis) + 1e-9
    share /= share.sum(axis=1, keepdims=True)
    middle = share.mean(axis=0)
    return float(0.5 * (share * np.log(share / middle)).sum())


def _two_class_threshold(values: npt.NDArray[np.float32]) -> float:
    """The threshold that parts the values into two classes best (Otsu, IEEE Trans Syst Man Cybern 1979;9:62-6)."""
    counts, edges = np.histogram(values, 128)
    share = counts / max(counts.sum(), 1)
    centre = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(share)
    mean_below = np.cumsum(share * centre)
    between = (mean_below[-1] * below - mean_below) ** 2 / np.maximum(below * (1.0 - below), 1e-9)
    return float(edges[int(between.argmax()) + 1])
