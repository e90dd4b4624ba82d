"""What is learnt from the run itself before any frame is segmented.

A few blocks of consecutive frames, spread over the run, tell how deep the ring-down reaches, how grey blood and wall
are, and how much speckle neighbouring frames share in each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray, IntArray, JsonValue
from boreline.segmentation.edges import CLEAN
from boreline.segmentation.features import (
    STRIDE,
    Bytes,
    Floats,
    Speckle,
    mean_of,
    smooth_grey,
    usual_share,
)
from boreline.segmentation.lumen import SMALLEST_LUMEN_MM, BloodModel, level_behind, lumen_path, votes
from boreline.segmentation.polar import PolarBlock

_LEVELS = 256
_ROUNDS = 3
_WALL_FROM_MM, _WALL_TO_MM = 0.08, 0.5
_BLOOD_MARGIN_MM = 0.1
_RING_SEARCH_MM = 1.3
_CORE_LEVEL = 12.0  # grey: the core of a catheter is black
_LEAST_CORE_MM = 0.25
_RISE_MM = 0.3
_FADED = 0.25
_DARKER = 0.8
_BEHIND_MM = (0.28, 1.8)
_STEADY_SHARE = 0.15
"""Frames whose tissue shares this much less than usual (of what there is to share) teach nothing."""
_LEAST_FRAMES = 8
_AT_THE_END = 6  # samples
_ASTRAY_SHARE = 0.1
"""Frames with more of the border at the end of the picture (aorta, or run away) teach nothing."""
DEEP_MM = (1.2, 1.4)
"""Where attenuation shows: from so far behind the border, over this depth."""
SHADOWED = 0.35
"""A ray whose mean level behind the border is less than this share of the usual one is in shadow."""
_SMOOTHING = 5.0  # grey levels
_LEAST_SHARE = 1e-3


@dataclass(frozen=True, slots=True)
class RingDown:
    """The catheter's own echo: where it starts and where it ends, in samples; both 0 when there is none."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the run has taught.

    Attributes
    ----------
    model
        How blood and wall differ.
    ring
        The ring-down.
    behind
        Usual grey level behind the lumen border.
    deep
        The same farther back.
    spread
        Standard deviation of grey in the tissue.
    grey_nats, shared_nats
        How far blood and wall differ in grey and in shared speckle (Jensen-Shannon divergence, 0 to 0.69).
    clarity
        Step from blood to wall over the spread of grey in the wall: about 3 with speckle, 10 and more without.
    likeness
        Usual speckle correlation of wall in neighbouring frames, 0..1.
    share, null
        Usual shared speckle of tissue in neighbouring frames, and of frames far apart (0..255, 128 = no correlation).
    mm_per_sample
        Depth between samples.
    to_sample
        Samples inside the picture, per ray.
    """

    model: BloodModel
    ring: RingDown
    behind: float
    deep: float
    spread: float
    grey_nats: float
    shared_nats: float
    clarity: float
    likeness: float
    share: float
    null: float
    mm_per_sample: float
    to_sample: IntArray

    @property
    def nearest(self) -> int:
        """The least depth of a lumen border, in samples."""
        return max(self.ring.start, int(SMALLEST_LUMEN_MM / self.mm_per_sample))

    def record(self) -> dict[str, JsonValue]:
        """For `run.json`."""
        return {
            "ring_down_from_mm": self.ring.start * self.mm_per_sample,
            "ring_down_to_mm": self.ring.end * self.mm_per_sample,
            "grey_nats": self.grey_nats,
            "shared_speckle_nats": self.shared_nats,
            "clarity": self.clarity,
            "wall_correlation": self.likeness,
            "level_behind_wall": self.behind,
            "mm_per_sample": self.mm_per_sample,
        }


def learn(blocks: Sequence[PolarBlock], in_region: BoolArray, mm_per_sample: float) -> Learnt:
    """Learn from a few blocks of consecutive polar pictures; `in_region` as in `PolarSampler`.

    Two first guesses, one from grey and speckle and one from speckle alone, are refined by turns: draw the borders,
    count both cues on either side, draw again. The guess whose sides differ more in the end is kept.
    """
    pictures = [picture for block in blocks for picture in block]
    to_sample = _picture_end(pictures, in_region)[::STRIDE].copy()
    ring = ring_down(pictures, mm_per_sample)
    grey = np.stack([smooth_grey(picture) for picture in pictures])
    shared = np.concatenate([shared_speckle(block) for block in blocks])
    null = _null_share(blocks, mm_per_sample)
    shares = np.array([usual_share(frame, mm_per_sample) for frame in shared])
    share = float(np.percentile(shares, 70))
    steady = share - shares <= max(_STEADY_SHARE * (share - null), 1.0)
    if steady.sum() >= _LEAST_FRAMES:
        grey, shared = grey[steady], shared[steady]
    first = _first_model(grey, shared, ring, mm_per_sample)
    guesses = [
        _refine(grey, shared, model, ring, to_sample, mm_per_sample)
        for model in (first, BloodModel(np.zeros_like(first.by_grey), first.by_shared))
    ]
    clean = _clarity(grey, guesses[0].blood, guesses[0].wall) > CLEAN
    best = guesses[0] if clean else max(guesses, key=lambda guess: guess.merit)
    tissue = grey[:, :, ring.end : int(3.5 / mm_per_sample)]
    wall_share = float(np.median(shared[best.wall])) if best.wall.any() else 128.0
    return Learnt(
        model=best.model,
        ring=ring,
        behind=best.behind,
        deep=_usual_behind(grey, best.paths, DEEP_MM, mm_per_sample),
        spread=max(float(tissue.std()), 1.0),
        grey_nats=_divergence(grey, best.blood, best.wall),
        shared_nats=_divergence(shared, best.blood, best.wall),
        clarity=_clarity(grey, best.blood, best.wall),
        likeness=float(np.clip((wall_share - 128) / 127, 0, 1)),
        share=share,
        null=null,
        mm_per_sample=mm_per_sample,
        to_sample=to_sample,
    )


@dataclass(frozen=True, slots=True)
class _Guess:
    model: BloodModel
    paths: FloatArray
    behind: float
    blood: BoolArray
    wall: BoolArray
    merit: float


def _refine(
    grey: Bytes, shared: Bytes, model: BloodModel, ring: RingDown, to_sample: IntArray, mm_per_sample: float
) -> _Guess:
    nearest = max(ring.start, int(SMALLEST_LUMEN_MM / mm_per_sample))
    all_heard = np.ones(grey.shape[1])
    skip, depth = (int(mm / mm_per_sample) for mm in _BEHIND_MM)
    for turn in range(_ROUNDS + 1):
        paths = np.stack(
            [
                lumen_path(votes(g, s, model), ring.end, nearest, to_sample, all_heard)[0].astype(np.float64)
                for g, s in zip(grey, shared, strict=True)
            ]
        )
        behind = np.stack([level_behind(g, path, skip, depth) for g, path in zip(grey, paths, strict=True)])
        usual = float(np.percentile(behind, 60))
        closed = (paths > to_sample - _AT_THE_END).mean(axis=1) <= _ASTRAY_SHARE
        if closed.sum() < _LEAST_FRAMES:
            closed[:] = True
        lit = (behind > SHADOWED * usual) & closed[:, None]
        blood, wall = _sides(grey, paths, lit, ring, mm_per_sample)
        if turn < _ROUNDS:
            model = BloodModel(_ratio(grey, blood, wall), _ratio(shared, blood, wall))
    astray = float((paths > to_sample - _AT_THE_END).mean())
    apart = _divergence(grey, blood, wall) + _divergence(shared, blood, wall)
    merit = apart * (1.0 - min(1.0, 3.0 * astray))
    return _Guess(model, paths, usual, blood, wall, merit)


def _usual_behind(grey: Bytes, paths: FloatArray, where_mm: tuple[float, float], mm_per_sample: float) -> float:
    skip, depth = (int(mm / mm_per_sample) for mm in where_mm)
    levels = [level_behind(g, path, skip, depth) for g, path in zip(grey, paths, strict=True)]
    return float(np.percentile(np.stack(levels), 60))


def shared_speckle(block: PolarBlock) -> Bytes:
    """Speckle that each frame shares with both neighbours (mean), (n_frames, N_RAYS, n_samples)."""
    speckle = [Speckle.of(picture) for picture in block]
    pairs = [after.shared_with(before) for before, after in pairwise(speckle)]
    if not pairs:
        return np.full((1, block.shape[1] // STRIDE, block.shape[2]), 128, dtype=np.uint8)
    middle = [mean_of(before, after) for before, after in pairwise(pairs)]
    return np.stack([pairs[0], *middle, pairs[-1]])


def _null_share(blocks: Sequence[PolarBlock], mm_per_sample: float) -> float:
    """Shared speckle of frames so far apart that they share nothing."""
    first = [Speckle.of(block[0]) for block in blocks]
    if len(first) < 2:
        return 128.0
    pairs = pairwise(first)
    return float(np.median([usual_share(b.shared_with(a), mm_per_sample) for a, b in pairs]))


def _picture_end(pictures: Sequence[Bytes], in_region: BoolArray) -> IntArray:
    """Samples inside the picture per ray: inside the region, and not black for good beyond."""
    brightest = np.max(np.stack(pictures), axis=0)
    brightest = np.maximum(brightest, np.maximum(np.roll(brightest, 1, axis=0), np.roll(brightest, -1, axis=0)))
    lit = in_region & (brightest > 8)
    last = lit.shape[1] - np.argmax(lit[:, ::-1], axis=1)
    ends: IntArray = np.where(lit.any(axis=1), last, lit.shape[1]).astype(np.int64)
    # A ray in shadow throughout is as long as the others that the region lets reach as far.
    region = in_region.shape[1] - np.argmax(in_region[:, ::-1], axis=1)
    whole: IntArray = np.minimum(region, np.maximum(ends, int(np.percentile(ends, 75))))
    return whole


def ring_down(pictures: Sequence[Bytes], mm_per_sample: float) -> RingDown:
    """The bright halo at the catheter, at one depth on all rays in all frames: black before it, fading behind it.

    It ends where it has faded, or where frames far apart begin to differ as much as speckle does.
    """
    stack = np.stack(pictures[:: max(1, len(pictures) // 12)]).astype(np.float32)
    if len(stack) < 3:
        return RingDown(0, 0)
    middle = np.median(stack, axis=0)
    spread = np.median(np.abs(stack - middle), axis=0).mean(axis=0)
    level = np.percentile(middle, 30, axis=0)
    limit = min(int(_RING_SEARCH_MM / mm_per_sample), len(level) // 2)
    start = int(np.argmax(level[:limit] > _CORE_LEVEL))
    if start < int(_LEAST_CORE_MM / mm_per_sample):
        return RingDown(0, 0)
    peak = start + int(np.argmax(level[start : start + int(_RISE_MM / mm_per_sample)]))
    rest = float(level[peak:limit].min())
    if level[peak] < 2 * _CORE_LEVEL or rest > _DARKER * level[peak]:
        return RingDown(0, 0)
    faded = np.flatnonzero(level[peak:limit] <= rest + _FADED * (level[peak] - rest))
    usual = float(np.percentile(spread[int(0.3 / mm_per_sample) : int(2.5 / mm_per_sample)], 60))
    lively = np.flatnonzero(spread[peak:limit] > 0.5 * usual)
    steady = max(3, int(lively[0])) if len(lively) else limit
    start += int(np.argmax(level[start : peak + 1] > 0.25 * level[peak]))
    return RingDown(start, peak + min(int(faded[0]), steady))


def _first_model(grey: Bytes, shared: Bytes, ring: RingDown, mm_per_sample: float) -> BloodModel:
    """Before any border is known: blood is the darker half just beyond the ring-down, wall the brightest sixth."""
    near = max(ring.end, int(0.15 / mm_per_sample)) + int(0.05 / mm_per_sample)
    annulus = np.zeros(grey.shape, dtype=np.bool_)
    annulus[..., near : near + int(0.35 / mm_per_sample)] = True
    reach = np.zeros(grey.shape, dtype=np.bool_)
    reach[..., near : near + int(3.2 / mm_per_sample)] = True
    blood = annulus & (grey <= np.median(grey[annulus]))
    wall = reach & (grey >= np.percentile(grey[reach], 85))
    return BloodModel(_ratio(grey, blood, wall), _ratio(shared, blood, wall))


def _sides(
    grey: Bytes, paths: FloatArray, lit: BoolArray, ring: RingDown, mm_per_sample: float
) -> tuple[BoolArray, BoolArray]:
    """Samples surely inside and just outside the borders, away from shadows."""
    depth = np.arange(grey.shape[-1])
    border, lit = paths[..., None], lit[..., None]
    blood = (depth < border - _BLOOD_MARGIN_MM / mm_per_sample) & (depth > ring.end) & lit
    wall = (depth > border + _WALL_FROM_MM / mm_per_sample) & (depth < border + _WALL_TO_MM / mm_per_sample) & lit
    return blood, wall


def _shares(values: Bytes, wanted: BoolArray) -> FloatArray:
    counts = np.bincount(values[wanted], minlength=_LEVELS).astype(np.float64)
    smooth: FloatArray = gaussian_filter1d(counts, _SMOOTHING, mode="nearest")
    smooth += _LEAST_SHARE * max(counts.sum(), 1.0) / _LEVELS
    shares: FloatArray = smooth / smooth.sum()
    return shares


def _ratio(values: Bytes, blood: BoolArray, wall: BoolArray) -> Floats:
    return np.log(_shares(values, blood) / _shares(values, wall)).astype(np.float32)


def _clarity(grey: Bytes, blood: BoolArray, wall: BoolArray) -> float:
    if not (blood.any() and wall.any()):
        return 0.0
    levels = grey[wall].astype(np.float64)
    usual = float(np.median(levels))
    spread = 1.4826 * float(np.median(np.abs(levels - usual)))
    return (usual - float(np.median(grey[blood]))) / max(spread, 1.0)


def _divergence(values: Bytes, blood: BoolArray, wall: BoolArray) -> float:
    a, b = _shares(values, blood), _shares(values, wall)
    middle = (a + b) / 2
    return float(0.5 * (a * np.log(a / middle) + b * np.log(b / middle)).sum())
