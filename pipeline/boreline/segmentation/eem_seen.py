"""On which rays the membrane shows."""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray
from boreline.segmentation.features import Bytes, Floats

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
    n_rays, n = grey.shape
    strength, outside = np.empty(n_rays), np.empty(n_rays)
    reach = max(3, int(_OUTSIDE_MM / mm_per_sample))
    for k in range(n_rays):
        border = min(max(int(np.rint(depth[k] + 0.5)), 1), n - 2)
        strength[k] = max(-cost[k, border], _WEAKEST)
        outside[k] = grey[k, border : border + reach].mean()
    usual = max(np.percentile(outside, _USUAL_PERCENT), 1.0)
    level = _mean_round(outside, 1) / usual
    plain = (_mean_round(strength, 1) > _PLAIN_RING) & (level > _PLAIN_OUTSIDE)
    lit = (ring > _RING_SEEN) & _mostly(level > _LEAST_OUTSIDE, 2)
    cast = _any_near(shadow & ~wire, _SHADOW_EDGE) & ~wire
    core = ~_any_near(~wire, _WIRE_EDGE)
    seen: BoolArray = ((lit | _any_near(wire, 1)) & ~(cast | core | pocket)) | _mostly(plain, 1)
    return seen


@compiled
def _mean_round(values: FloatArray, by: int) -> FloatArray:
    """Mean over `by` rays on either side."""
    n = len(values)
    mean = np.zeros(n)
    for k in range(n):
        for s in range(-by, by + 1):
            mean[k] += values[(k + s) % n] / (2 * by + 1)
    return mean


@compiled
def _mostly(rays: BoolArray, by: int) -> BoolArray:
    """True where most of the rays up to `by` away are."""
    return _mean_round(rays.astype(np.float64), by) > 0.5


@compiled
def _any_near(rays: BoolArray, by: int) -> BoolArray:
    """True also for `by` rays on either side."""
    return _mean_round(rays.astype(np.float64), by) > 0.1
