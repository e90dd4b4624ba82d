"""The external elastic membrane: the outer edge of the dark media, where the bright adventitia begins.

The lumen's edge looks much the same and is stronger, so the lumen is filled with the level of the wall first. The cost
then rewards a dark ring of some thickness with brightness outside and, less, inside. Rays in shadow say nothing and
are carried by the others and by a smooth closed shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.edges import edge_levels, find_edges, smooth_round
from boreline.segmentation.features import Bytes, Floats
from boreline.segmentation.surfaces import closed_path, expected_distance, tolled_path

MINIMUM_WALL_MM = 0.1
_ROUGH_TOLLS = np.array([0.0, 0.6, 1.4, 2.2], dtype=np.float32)
"""Of steps of 0, 2, 4 and 6 samples: in proportion, as a vessel beside the catheter is steep all along its flanks."""
_NEAR = 20
"""Samples on either side of the smooth shape in which the border is looked for."""
MAX_STEP = 3
STIFFNESS = 0.8
"""Of steps against those of the shape."""
_MEDIA_MM = (0.08, 0.14, 0.22)
_OUTSIDE_MM = 0.22
_INSIDE_MM = 0.15
_INSIDE_SHARE = 0.5
_FORBIDDEN = np.float32(1e3)
SHAPE_ORDER = 4
_UNSEEN_WEIGHT = 0.05
_SMOOTH = 1.2


@compiled
def membrane_cost(
    grey: npt.NDArray[np.uint8],
    lumen: FloatArray,
    spread: float,
    hears: FloatArray,
    last: npt.NDArray[np.int64],
    mm_per_sample: float,
) -> Floats:
    """Cost of the membrane just before each sample, shape of `grey`.

    `lumen`: depth of the lumen border per ray; `spread`: grey levels that count as one; `hears`: weight of each ray,
    0 in shadow; `last`: number of samples inside the picture per ray.
    """
    n_rays, n = grey.shape
    cost = np.empty((n_rays, n), dtype=np.float32)
    outside, inside = (
        max(2, int(np.round(_OUTSIDE_MM / mm_per_sample))),
        max(2, int(np.round(_INSIDE_MM / mm_per_sample))),
    )
    wall = int(np.round(MINIMUM_WALL_MM / mm_per_sample))
    sums = np.zeros(n + 1)
    for k in range(n_rays):
        edge = int(np.ceil(lumen[k]))
        level, count = 0.0, 0
        for j in range(edge + 2, min(edge + int(0.4 / mm_per_sample), last[k])):
            level += grey[k, j]
            count += 1
        level = level / count if count > 0 else 0.0
        filled = edge + 2
        while filled < edge + wall and filled < n and grey[k, filled] < 0.9 * level:
            filled += 1
        for j in range(n):
            sums[j + 1] = sums[j] + (level if j < filled else grey[k, j])
        for j in range(n):
            if j < edge + wall:
                cost[k, j] = _FORBIDDEN
                continue
            if j + 3 >= last[k]:
                cost[k, j] = 1.0
                continue
            stop = min(j + outside, last[k])
            out = (sums[stop] - sums[j]) / (stop - j)
            best = -1e9
            for media_mm in _MEDIA_MM:
                m = max(2, int(np.round(media_mm / mm_per_sample)))
                a = max(j - m, 0)
                b = max(a - inside, 0)
                dark = (sums[j] - sums[a]) / max(j - a, 1)
                within = (sums[a] - sums[b]) / max(a - b, 1)
                score = (out - dark) + _INSIDE_SHARE * min(within - dark, out - dark)
                best = max(best, score)
            cost[k, j] = -best / spread * hears[k]
    return cost


@cache
def _waves(n: int, order: int) -> tuple[FloatArray, FloatArray]:
    """Periodic basis (n, 2 order + 1) and the stiffness of each wave."""
    angle = 2 * np.pi * np.arange(n) / n
    waves = [np.ones(n)]
    for k in range(1, order + 1):
        waves += [np.cos(k * angle), np.sin(k * angle)]
    ridge = np.repeat(np.arange(order + 1), [1] + [2] * order).astype(np.float64) ** 4 * 0.02
    return np.stack(waves, axis=1), ridge


def smooth_shape(path: FloatArray, weight: FloatArray, order: int = SHAPE_ORDER) -> FloatArray:
    """A low-order periodic curve through the weighted depths, twice re-weighted against outliers."""
    basis, ridge = _waves(len(path), order)
    return _robust_fit(basis, ridge, path.astype(np.float64), weight.astype(np.float64), 3, 0.0)


def inner_shape(path: FloatArray, weight: FloatArray, order: int, scale: float) -> FloatArray:
    """A low-order periodic curve that outward bulges, beyond `scale` samples, do not draw after them."""
    basis, ridge = _waves(len(path), order)
    return _robust_fit(basis, ridge, path.astype(np.float64), weight.astype(np.float64), 10, scale)


@compiled
def _robust_fit(
    basis: FloatArray, ridge: FloatArray, path: FloatArray, weight: FloatArray, turns: int, outward: float
) -> FloatArray:
    """Re-weighted against outliers on both sides, or only against those outside when `outward` gives their scale."""
    n, m = basis.shape
    w = weight + 1e-6
    curve = path.copy()
    for turn in range(turns):
        if turn > 0:
            if outward > 0.0:
                off = np.maximum(path - curve, 0.0)
                scale = outward
            else:
                off = np.abs(path - curve)
                scale = 2.0 * np.median(off) + 1.0
            w = (weight + 1e-6) / (1.0 + (off / scale) ** 2)
        a = np.zeros((m, m))
        b = np.zeros(m)
        for i in range(n):
            for p in range(m):
                b[p] += w[i] * basis[i, p] * path[i]
                for q in range(p + 1):
                    a[p, q] += w[i] * basis[i, p] * basis[i, q]
        for p in range(m):
            a[p, p] += ridge[p]
        # Cholesky, in place.
        for p in range(m):
            for q in range(p):
                for r in range(q):
                    a[p, q] -= a[p, r] * a[q, r]
                a[p, q] /= a[q, q]
            for r in range(p):
                a[p, p] -= a[p, r] * a[p, r]
            a[p, p] = np.sqrt(a[p, p])
        for p in range(m):
            for r in range(p):
                b[p] -= a[p, r] * b[r]
            b[p] /= a[p, p]
        for p in range(m - 1, -1, -1):
            for r in range(p + 1, m):
                b[p] -= a[r, p] * b[r]
            b[p] /= a[p, p]
        for i in range(n):
            curve[i] = 0.0
            for p in range(m):
                curve[i] += basis[i, p] * b[p]
    return curve


SHAPE_PULL = 0.004
"""Cost of a depth one sample away from the shape; grows with the square, up to `SHAPE_CAP`."""
SHAPE_CAP = 1.0


@compiled
def band_about(cost: Floats, first: IntArray, width: int) -> Floats:
    """`width` depths of each ray from its `first` one on, with what each costs for lying off the middle."""
    n_rays, n = cost.shape
    out = np.empty((n_rays, width), dtype=np.float32)
    for k in range(n_rays):
        for j in range(width):
            off = j - width // 2
            pull = min(np.float32(SHAPE_PULL) * off * off, np.float32(SHAPE_CAP))
            depth = first[k] + j
            out[k, j] = cost[k, depth] + pull if 0 <= depth < n else _FORBIDDEN
    return out


@dataclass(frozen=True, slots=True)
class MembraneBorder:
    """Membrane of one frame.

    Attributes
    ----------
    depth
        Shape (n_rays,), samples.
    ring
        Grey levels between media and adventitia, averaged over neighbouring rays; (n_rays,).
    doubt
        Expected distance to the true border by the cost alone, samples.
    """

    depth: FloatArray
    ring: FloatArray
    doubt: float


def membrane_border(cost: Floats, thin: Bytes, *, unsure: BoolArray, spread: float, clarity: float) -> MembraneBorder:
    """The closed membrane of the least cost, near to a smooth shape; `unsure` rays are carried by the others."""
    path = 2 * tolled_path(np.ascontiguousarray(cost[:, ::2]), _ROUGH_TOLLS)
    rays = np.arange(len(path))
    weight = np.maximum(0.0, -cost[rays, path]) * np.where(unsure, 0.0, 1.0)
    first = np.rint(smooth_shape(path.astype(np.float64), weight)).astype(np.int64) - _NEAR
    path = first + closed_path(band_about(cost, first, 2 * _NEAR + 1), MAX_STEP, STIFFNESS)
    path = np.clip(path, 0, cost.shape[1] - 1)
    edge, _ = find_edges(thin, path, edge_levels(clarity)[1], True)
    edge = np.where(unsure, path - 0.5, edge)
    return MembraneBorder(
        depth=smooth_round(edge, np.where(unsure, _UNSEEN_WEIGHT, 1.0), _SMOOTH),
        ring=smooth_round(np.where(unsure, 0.0, -cost[rays, path] * spread), np.ones(len(path)), 3.0),
        doubt=expected_distance(cost, path),
    )
