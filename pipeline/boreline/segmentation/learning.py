"""What is learnt from the run itself before any frame is segmented.

A few blocks of consecutive frames, spread over the run, tell how deep the ring-down reaches, how grey blood and wall
are, and how much speckle neighbouring frames share in each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from boreline.model import BoolArray, FloatArray, IntArray, JsonValue
from boreline.segmentation.axial_echo import AxialEcho, axial_echo
from boreline.segmentation.edges import speckle_share
from boreline.segmentation.features import (
    N_RAYS,
    NOTHING_SHARED,
    STRIDE,
    Bytes,
    Speckle,
    mean_of,
    smooth_grey,
    usual_share,
)
from boreline.segmentation.lumen import SMALLEST_LUMEN_MM, BloodModel, Tail, level_behind
from boreline.segmentation.polar import PolarBlock
from boreline.segmentation.ring_down import RingDown, ring_down
from boreline.segmentation.starts import Sampled, best_guess, clarity
from boreline.segmentation.tail import tail_of

_STEADY_SHARE = 0.15
"""Frames whose tissue shares this much less than usual (of what there is to share) teach nothing."""
_LEAST_FRAMES = 8
_UNSHARED_FRAMES = 8
_ECHO_FRAMES = 6
DEEP_MM = (1.2, 1.4)
"""Where attenuation shows: from so far behind the border, over this depth."""


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
    edge_nats
        The same in grey just inside and just outside the border.
    narrower
        Logarithm of how much narrower the narrowest border was that divided blood and wall half as well.
    clarity
        Step from blood to wall over the spread of grey in the wall: about 3 with speckle, 10 and more without.
    likeness
        Usual speckle correlation of wall in neighbouring frames, 0..1.
    tail
        Votes just behind the ring-down.
    echo
        Length of an echo along a ray.
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
    edge_nats: float
    narrower: float
    clarity: float
    likeness: float
    tail: Tail
    echo: AxialEcho
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
            "edge_nats": self.edge_nats,
            "narrower_border_log": self.narrower,
            "clarity": self.clarity,
            "wall_correlation": self.likeness,
            "echo_half_width_mm": self.echo.half_width * self.mm_per_sample,
            "grey_levels_per_db": self.echo.levels_per_db,
            "level_behind_wall": self.behind,
            "mm_per_sample": self.mm_per_sample,
        }


def learn(blocks: Sequence[PolarBlock], in_region: BoolArray, mm_per_sample: float) -> Learnt:
    """Learn from a few blocks of consecutive polar pictures; `in_region` as in `PolarSampler`."""
    pictures = [picture for block in blocks for picture in block]
    to_sample = _picture_end(pictures, in_region)[::STRIDE].copy()
    ring = ring_down(pictures, mm_per_sample)
    grey = np.stack([smooth_grey(picture) for picture in pictures])
    shared = np.concatenate([shared_speckle(block) for block in blocks])
    unshared = unshared_speckle(blocks)
    null = float(np.median([usual_share(frame, mm_per_sample) for frame in unshared]))
    shares = np.array([usual_share(frame, mm_per_sample) for frame in shared])
    share = float(np.percentile(shares, 70))
    steady = share - shares <= max(_STEADY_SHARE * (share - null), 1.0)
    if steady.sum() >= _LEAST_FRAMES:
        grey, shared = grey[steady], shared[steady]
    sampled = Sampled(grey, shared, unshared[..., ring.end :], ring, to_sample, mm_per_sample)
    best = best_guess(sampled)
    tissue = grey[:, :, ring.end : int(3.5 / mm_per_sample)]
    wall_share = float(np.median(shared[best.wall])) if best.wall.any() else NOTHING_SHARED
    clear = clarity(grey, best.blood, best.wall)
    some = pictures[:: max(1, len(pictures) // _ECHO_FRAMES)]
    return Learnt(
        model=best.model,
        ring=ring,
        behind=best.behind,
        deep=_usual_behind(grey, best.paths, DEEP_MM, mm_per_sample),
        spread=max(float(tissue.std()), 1.0),
        grey_nats=best.grey_nats,
        shared_nats=best.shared_nats,
        edge_nats=best.edge_nats,
        narrower=best.narrower,
        clarity=clear,
        likeness=float(np.clip((wall_share - NOTHING_SHARED) / (255 - NOTHING_SHARED), 0, 1)),
        tail=tail_of(sampled, best),
        echo=axial_echo(some, ring.end, mm_per_sample, speckle_share(clear)),
        share=share,
        null=null,
        mm_per_sample=mm_per_sample,
        to_sample=to_sample,
    )


def _usual_behind(grey: Bytes, paths: FloatArray, where_mm: tuple[float, float], mm_per_sample: float) -> float:
    skip, depth = (int(mm / mm_per_sample) for mm in where_mm)
    levels = [level_behind(g, path, skip, depth) for g, path in zip(grey, paths, strict=True)]
    return float(np.percentile(np.stack(levels), 60))


def shared_speckle(block: PolarBlock) -> Bytes:
    """Speckle that each frame shares with both neighbours (mean), (n_frames, N_RAYS, n_samples)."""
    speckle = [Speckle.of(picture) for picture in block]
    pairs = [after.shared_with(before) for before, after in pairwise(speckle)]
    if not pairs:
        return np.full((1, N_RAYS, block.shape[2]), NOTHING_SHARED, dtype=np.uint8)
    middle = [mean_of(before, after) for before, after in pairwise(pairs)]
    return np.stack([pairs[0], *middle, pairs[-1]])


def unshared_speckle(blocks: Sequence[PolarBlock]) -> Bytes:
    """What a few pictures seem to share with the next one turned by a quarter and by a half: chance alone."""
    pairs = [pair for block in blocks for pair in pairwise(block)]
    found = []
    for here, there in pairs[:: max(1, len(pairs) // _UNSHARED_FRAMES)]:
        speckle = Speckle.of(here)
        found.append(mean_of(speckle.shared_with(_turned(there, 4)), speckle.shared_with(_turned(there, 2))))
    return np.stack(found) if found else np.full((1, N_RAYS, blocks[0].shape[2]), NOTHING_SHARED, dtype=np.uint8)


def _turned(picture: Bytes, part: int) -> Speckle:
    return Speckle.of(np.roll(picture, len(picture) // part, axis=0))


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
