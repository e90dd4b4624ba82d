"""The place of an edge to a fraction of a sample, next to a path that is right to a few samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray

REACH = 14
"""Samples looked at on either side of the path."""
_LIMIT = 6
_RAYS = 4
_SIGMA_RAYS = 1.6
_HALF_WAY = 0.5
_LUMEN_EARLY, _MEMBRANE_EARLY = 0.12, 0.13
_SPECKLED, CLEAN = 4.0, 10.0


def edge_levels(clarity: float) -> tuple[float, float]:
    """Share of the rise of grey at which the echoes of lumen and membrane are said to rise.

    Half-way in a clean picture, where that is the border. In speckle the rise is taken earlier, nearer to the quiet of
    blood and media than to the noise of the wall, and `axial_echo` carries it to the border. `clarity` tells speckle
    from a clean picture.
    """
    speckled = speckle_share(clarity)
    return _HALF_WAY - _LUMEN_EARLY * speckled, _HALF_WAY - _MEMBRANE_EARLY * speckled


def speckle_share(clarity: float) -> float:
    """1 for a picture of speckle, 0 for a clean one; `clarity` as in `learning.Learnt`."""
    return min(max((CLEAN - clarity) / (CLEAN - _SPECKLED), 0.0), 1.0)


@compiled
def _profiles(picture: npt.NDArray[np.uint8], path: npt.NDArray[np.int64]) -> npt.NDArray[np.float32]:
    """Grey along each ray about the path, averaged over neighbouring rays laid on each other along it."""
    n_rays, n = picture.shape
    width = 2 * REACH + 1
    out = np.zeros((n_rays, width), dtype=np.float32)
    weights = np.empty(2 * _RAYS + 1, dtype=np.float32)
    for k in range(-_RAYS, _RAYS + 1):
        weights[k + _RAYS] = np.exp(-0.5 * (k / _SIGMA_RAYS) ** 2)
    weights /= weights.sum()
    for a in range(n_rays):
        for k in range(-_RAYS, _RAYS + 1):
            row = (a + k) % n_rays
            weight = weights[k + _RAYS]
            first = path[row] - REACH
            if 0 <= first <= n - width:  # the usual case: a slice, so that the loop runs on whole registers
                ray = picture[row, first:][:width]
                for j in range(width):
                    out[a, j] += weight * ray[j]
                continue
            for j in range(width):
                out[a, j] += weight * picture[row, min(max(first + j, 0), n - 1)]
    return out


@compiled
def find_edges(
    picture: npt.NDArray[np.uint8], path: npt.NDArray[np.int64], level: float, membrane: bool
) -> tuple[FloatArray, FloatArray]:
    """Where each ray's profile passes `level` nearest to the path, in samples, and the rise in grey levels.

    The rise goes from the mean level inside to that outside; for a `membrane` from the darkest level just inside. A ray
    whose level does not rise keeps its path.
    """
    n_rays = picture.shape[0]
    profiles = _profiles(picture, path)
    edge = path.astype(np.float64) - 0.5
    rise = np.zeros(n_rays)
    for a in range(n_rays):
        p = profiles[a]
        if membrane:
            inside = p[REACH - 7 : REACH + 2].min()
            outside = p[REACH + 3 : REACH + 12].mean()
        else:
            inside = p[REACH - 13 : REACH - 4].mean()
            outside = p[REACH + 4 : REACH + 13].mean()
        rise[a] = outside - inside
        if outside <= 1.05 * inside + 1.0:
            continue
        target = inside + level * (outside - inside)
        nearest = _LIMIT + 1.0
        for j in range(REACH - _LIMIT, REACH + _LIMIT):
            if p[j] < target <= p[j + 1]:
                at = j + (target - p[j]) / (p[j + 1] - p[j]) - REACH
                if abs(at + 0.5) < abs(nearest + 0.5):
                    nearest = at
        if abs(nearest) <= _LIMIT:
            edge[a] = path[a] + nearest
    return edge, rise


@compiled
def smooth_round(values: FloatArray, weights: FloatArray, sigma: float) -> FloatArray:
    """Weighted Gaussian mean around the circle; `sigma` in rays."""
    n = values.shape[0]
    reach = int(3 * sigma) + 1
    kernel = np.empty(2 * reach + 1)
    for k in range(-reach, reach + 1):
        kernel[k + reach] = np.exp(-0.5 * (k / sigma) ** 2)
    out = np.empty(n)
    for a in range(n):
        total, weight = 0.0, 0.0
        for k in range(-reach, reach + 1):
            w = kernel[k + reach] * (weights[(a + k) % n] + 0.02)
            total += w * values[(a + k) % n]
            weight += w
        out[a] = total / weight
    return out
