"""Both borders of every frame of a block, as radii about the catheter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray
from boreline.segmentation.by_evidence import eem, lumen
from boreline.segmentation.by_evidence.blocks import Block
from boreline.segmentation.by_evidence.evidence import Evidence
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
from boreline.segmentation.by_evidence.shape import bridge, bulges, smooth_shape
from boreline.segmentation.by_evidence.speckle import blur, brightness, persistence

MARGIN = 3
"""Frames of margin that a block needs on either side."""
_AVERAGED = 2
LUMEN_ORDER, LUMEN_SCALE_MM = 3, 0.09
POCKET_LEAST_MM, POCKET_DEEPEST_MM, POCKET_WIDEST = 0.08, 0.22, 0.6
_BLEND = 14.0
_BLIND_TRUST = 0.1
LUMEN_SMOOTHING, EEM_SMOOTHING = 1.5, 2.0
_HIDDEN_TRUST = 0.05
EEM_SEEN = 0.35
"""Contrast units along the membrane from which it counts as seen."""

Rays = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Learnt:
    """What was learnt from the run before its frames are traced."""

    mm_per_sample: float
    mm_per_px: float
    near_field: NearField
    evidence: Evidence

    @property
    def edge_samples(self) -> int:
        """Half the width of a sharp edge: one sample, or one pixel where pixels are coarser."""
        return 1 + int(np.ceil(self.mm_per_px / self.mm_per_sample))


@dataclass(frozen=True, slots=True)
class Traced:
    """Borders of consecutive frames; arrays (n_frames, n_angles).

    Attributes
    ----------
    lumen_mm, eem_mm
        Radii about the catheter; NaN in frames without a picture.
    wire, pocket, blind
        Rays of the lumen that were bridged: behind the guidewire, over a branch mouth, under the catheter's halo.
    shadow
        Rays from which little comes back behind the lumen border.
    contrast
        Grey levels between wall and blood at the lumen's edge.
    eem_score
        Contrast units at the membrane.
    """

    lumen_mm: Rays
    eem_mm: Rays
    wire: BoolArray
    pocket: BoolArray
    blind: BoolArray
    shadow: BoolArray
    contrast: Rays
    eem_score: Rays


def trace_block(block: Block, learnt: Learnt) -> Traced:
    """Trace the lumen, then the EEM, in every frame of a block."""
    n_angles = block.pictures.shape[1]
    near, mm = learnt.near_field, learnt.mm_per_sample
    bright = brightness(block.pictures)
    bright -= near.excess
    evidence = learnt.evidence.of(bright, persistence(block.pictures))
    usable = block.decoded & ~block.blank
    out = Traced(
        *(np.full((block.n_frames, n_angles), np.nan, dtype=np.float32) for _ in range(2)),
        *(np.zeros((block.n_frames, n_angles), dtype=np.bool_) for _ in range(4)),
        *(np.full((block.n_frames, n_angles), np.nan, dtype=np.float32) for _ in range(2)),
    )
    for i in range(block.n_frames):
        t = block.before + i
        if usable[t]:
            _trace_frame(out, i, block, t, bright[t], evidence, learnt, mm)
    return out


def _trace_frame(
    out: Traced,
    i: int,
    block: Block,
    t: int,
    bright: Rays,
    evidence: npt.NDArray[np.float32],
    learnt: Learnt,
    mm: float,
) -> None:
    near = learnt.near_field
    n_angles = bright.shape[0]
    whole = np.ones(n_angles, dtype=np.float32)
    skip, depth = int(SKIP_MM / mm), int(DEPTH_MM / mm)
    ordinary = learnt.evidence.behind

    cost = lumen.wall_cost(evidence, t, near.weight, whole)
    dark = level_behind(bright, lumen.coarse_path(cost), skip, depth) < SHADOWED * ordinary
    wire = narrow_sectors(dark, NARROWEST, WIDEST_WIRE, WIRE_MARGIN)
    if wire.any():
        cost = lumen.wall_cost(evidence, t, near.weight, (whole - wire).astype(np.float32))
    path = lumen.fine_path(cost)
    around = block.pictures[max(0, t - _AVERAGED) : t + _AVERAGED + 1]
    picture = around.mean(axis=0, dtype=np.float32) - near.excess
    edge, contrast = lumen.find_edge(picture, path, lumen.EDGE_LEVEL)

    radii = edge.astype(np.float64) * mm
    blind_mm = near.blind_to * mm
    blind = (radii <= blind_mm + 2 * mm) if near.end else np.zeros(n_angles, dtype=np.bool_)
    radii[blind] = max(blind_mm - 0.05, mm)
    trust = np.where(wire, 0.0, np.where(blind, _BLIND_TRUST, 1.0))
    curve, outside = smooth_shape(radii, trust, LUMEN_ORDER, LUMEN_SCALE_MM)
    pocket = bulges(outside, POCKET_LEAST_MM, POCKET_DEEPEST_MM, int(POCKET_WIDEST * n_angles))
    bridged = wire | pocket | blind
    border = bridge(radii, np.maximum(curve, near.start * mm), bridged, _BLEND)
    border = lumen.smooth_cyclic(border.astype(np.float32), whole, LUMEN_SMOOTHING)

    dark = level_behind(bright, border / np.float32(mm), skip, depth) < SHADOWED * ordinary
    score = eem.membrane_score(blur(picture, *eem.SMOOTHING), border / np.float32(mm), learnt.edge_samples, mm)
    seen = np.where(dark | pocket, _HIDDEN_TRUST, 1.0).astype(np.float32)
    free = eem.membrane_path(score, seen, np.zeros(n_angles, dtype=np.float32), mm)
    shape, _ = smooth_shape(free * mm, seen.astype(np.float64), eem.SHAPE_ORDER, eem.SHAPE_SCALE_MM)
    membrane = eem.membrane_path(score, np.maximum(seen, 0.15), (shape / mm).astype(np.float32), mm)

    out.lumen_mm[i] = border
    # A path at sample d parts samples d - 1 and d, so the border lies half a sample before it.
    out.eem_mm[i] = lumen.smooth_cyclic((membrane.astype(np.float32) - 0.5) * np.float32(mm), whole, EEM_SMOOTHING)
    out.wire[i], out.pocket[i], out.blind[i], out.shadow[i] = wire, pocket, blind, dark
    out.contrast[i] = contrast
    out.eem_score[i] = score[np.arange(n_angles), membrane]
