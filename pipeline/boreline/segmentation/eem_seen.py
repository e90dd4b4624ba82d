"""On which rays the membrane shows."""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.features import Bytes, Floats
from boreline.segmentation.lumen import widened

_RING_SEEN = 0.3
"""Share of the spread of tissue grey that the media's ring must stand out by to count as seen."""
_SHADOW_EDGE, _WIRE_EDGE = 2, 2
"""Rays: a shadow begins and ends before it is black; a wire's shadow was taken too wide to keep its echo out."""
_PLAIN_RING, _PLAIN_OUTSIDE = 1.0, 0.75
"""A ring as strong as this before tissue of nearly the usual brightness is seen even on a ray said to be in shadow."""
_LEAST_OUTSIDE = 0.4
"""Share of the usual brightness of the tissue outside, below which it is attenuated and no border is to be trusted."""
_OUTSIDE_MM = 0.22
_USUAL_PERCENT = 75
_WEAKEST = -3.0


@compiled
def _level_outside(grey: Bytes, border: IntArray, depth: int) -> FloatArray:
    n_rays, n = grey.shape
    out = np.empty(n_rays)
    for k in range(n_rays):
        stop = min(border[k] + depth, n)
        total = 0.0
        for j in range(border[k], stop):
            total += grey[k, j]
        out[k] = total / (stop - border[k])
    return out


def rays_seen(
    cost: Floats,
    grey: Bytes,
    depth: FloatArray,
    ring: FloatArray,
    wire: BoolArray,
    pocket: BoolArray,
    shadow: BoolArray,
    mm_per_sample: float,
) -> BoolArray:
    """Rays on which the media stand out: outside shadows and branch mouths, and in them where it is plain all the same.

    A shadow or a mouth is told at the lumen border; at the membrane it may be narrower. `ring`: strength of the ring in
    units of the cost, averaged over neighbouring rays. Beside the core of a wire's shadow it is not known, but the
    membrane is there on either side.
    """
    border = np.clip(np.rint(depth + 0.5).astype(np.int64), 1, cost.shape[1] - 2)
    strength = _mean_round(np.maximum(-cost[np.arange(len(border)), border], _WEAKEST), 2)
    outside = _level_outside(grey, border, max(3, int(_OUTSIDE_MM / mm_per_sample)))
    usual = max(float(np.percentile(outside, _USUAL_PERCENT)), 1.0)
    level = _mean_round(outside, 1) / usual
    plain = (strength > _PLAIN_RING) & (level > _PLAIN_OUTSIDE)
    cast, beside, core = widened(shadow & ~wire, _SHADOW_EDGE), widened(wire, 1), ~widened(~wire, _WIRE_EDGE)
    heard = (((ring > _RING_SEEN) & _mostly(level > _LEAST_OUTSIDE)) | beside) & ~((cast & ~wire) | core | pocket)
    return heard | _mostly(plain)


def _mostly(rays: BoolArray) -> BoolArray:
    """True where most of the five rays around are."""
    most: BoolArray = _mean_round(rays.astype(np.float64), 2) > 0.5
    return most


def _mean_round(values: FloatArray, by: int) -> FloatArray:
    """Mean over `by` rays on either side."""
    n = len(values)
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([values[-by:], values, values[:by]]))])
    mean: FloatArray = (sums[2 * by + 1 :] - sums[:n]) / (2 * by + 1)
    return mean
