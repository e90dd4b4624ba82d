"""The lumen border moved by a few samples to where brightness alone draws it, on rays where that is a clearer edge.

Shared speckle is compared in windows. One that reaches over the border holds the wall's echo, which outshines the blood
beside it: blood next to the wall seems to share as much as the wall does, and the border is drawn too near. Brightness
does not reach as far, but is not always there; the step of grey along both borders says where it is.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.features import Bytes, Floats
from boreline.segmentation.surfaces import closed_path

_INWARDS, _OUTWARDS = 3, 9
"""Samples: outwards as far as a window and a shift of it reach."""
_MAX_STEP, _STIFFNESS = 3, 0.12
"""Of the border against the one that it is moved from, between neighbouring rays."""
_STEP_SAMPLES, _STEP_RAYS = 7, 4
_CLEARER, _CLEARER_BY, _LEAST_STEP = 1.2, 0.05, 0.3
"""Factor and share of the spread of grey by which the step is to grow, and the least share of a step (tuning)."""
_NO_BORDER = np.float32(1e3)


def at_clearer_edge(
    path: IntArray, by_grey: Floats, grey: Bytes, heard: FloatArray, silent_to: int, spread: float
) -> IntArray:
    """The border, moved where the step of grey grows.

    `path`: depths, (n_rays,); `by_grey`: votes by brightness alone, and `grey`, both (n_rays, n_samples); `heard`:
    weight of each ray's votes; `silent_to`: samples under the ring-down; `spread`: of grey in tissue.
    """
    moved = path - _INWARDS + closed_path(_band(path, by_grey, heard, silent_to), _MAX_STEP, _STIFFNESS)
    step = _step(grey, moved)
    clearer: BoolArray = step > _CLEARER * np.maximum(_step(grey, path), 0.0) + _CLEARER_BY * spread
    return np.where(clearer & (step > _LEAST_STEP * spread), moved, path)


@compiled
def _band(path: IntArray, by_grey: Floats, heard: FloatArray, silent_to: int) -> Floats:
    """Cost of a border at each depth of a band about the path, from `_INWARDS` before it to `_OUTWARDS` behind."""
    n_rays, n = by_grey.shape
    cost = np.empty((n_rays, _INWARDS + 1 + _OUTWARDS), dtype=np.float32)
    for k in range(n_rays):
        total, weight = np.float32(0.0), np.float32(heard[k])
        for j in range(cost.shape[1]):
            depth = path[k] - _INWARDS + j
            inside = 0 <= depth < n and (depth >= silent_to or depth >= path[k])
            cost[k, j] = total * weight if inside else _NO_BORDER
            if silent_to <= depth < n:
                total -= by_grey[k, depth]
    return cost


@compiled
def _step(grey: Bytes, path: IntArray) -> FloatArray:
    """Mean grey behind the path less that before it, averaged over neighbouring rays, (n_rays,)."""
    n_rays, n = grey.shape
    own = np.empty(n_rays)
    for k in range(n_rays):
        behind, before = 0.0, 0.0
        for j in range(_STEP_SAMPLES):
            behind += grey[k, min(path[k] + j, n - 1)]
            before += grey[k, max(path[k] - 1 - j, 0)]
        own[k] = (behind - before) / _STEP_SAMPLES
    mean = np.zeros(n_rays)
    for k in range(n_rays):
        for s in range(-_STEP_RAYS, _STEP_RAYS + 1):
            mean[k] += own[(k + s) % n_rays]
    return mean / (2 * _STEP_RAYS + 1)
