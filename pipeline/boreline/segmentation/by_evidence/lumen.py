"""The lumen border: the path that best parts blood from wall, then its edge to a fraction of a sample.

Assumes evidence per pixel (positive for wall, negative for blood, in nats) from `evidence.py`. Along a ray outward
the evidence is added up; the border lies where the sum is least. What lies behind a wall that has once been seen is
wall, however dark (shadow, media).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.segmentation.by_evidence.speckle import Float32Block
from boreline.segmentation.surfaces import closed_path

TIME_WEIGHTS = np.array([0.25, 0.6, 1.0, 0.6, 0.25], dtype=np.float32)
"""Neighbouring frames that lend their evidence, -2 to +2."""
GAIN = 0.12
"""Evidence of neighbouring pixels is not independent: about one pixel in eight counts."""
WALL_SEEN = 30.0 * GAIN
"""Evidence after which a ray has certainly entered the wall."""
_BEHIND_WALL = 0.02
LARGEST_STEP = 3
STIFFNESS = 0.15

EDGE_REACH = 14  # samples on either side of the path
_EDGE_LIMIT = 7  # the edge lies at most this far from the path
_INSIDE, _OUTSIDE = (-11, -4), (4, 12)
_EDGE_ANGLES = 6  # rays averaged on either side
_EDGE_SIGMA = 3.0
EDGE_LEVEL = 0.5


@compiled
def wall_cost(
    evidence: Float32Block, frame: int, depth_weight: npt.NDArray[np.float32], ray_weight: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    """Cost of a border at each (angle, sample) of one frame: evidence for wall before it, less that for blood."""
    n_frames, n_angles, n_samples = evidence.shape
    cost = np.empty((n_angles, n_samples), dtype=np.float32)
    first, last = max(0, frame - 2), min(n_frames, frame + 3)
    total = np.float32(0.0)
    for t in range(first, last):
        total += TIME_WEIGHTS[t - frame + 2]
    mean = np.empty(n_samples, dtype=np.float32)
    for a in range(n_angles):
        mean[:] = 0.0
        for t in range(first, last):
            weight = TIME_WEIGHTS[t - frame + 2]
            for d in range(n_samples):
                mean[d] += weight * evidence[t, a, d]
        scale = GAIN * ray_weight[a] / total
        before = np.float32(0.0)
        wall = np.float32(0.0)
        seen = False
        for d in range(n_samples):
            value = mean[d] * scale * depth_weight[d]
            wall = max(np.float32(0.0), wall + value)
            if wall > WALL_SEEN:
                seen = True
            if seen and value < _BEHIND_WALL:
                value = _BEHIND_WALL
            cost[a, d] = before
            before += value
    return cost


@compiled
def coarse_path(cost: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The path at half the resolution, as samples per angle: a first guess for what lies behind the wall."""
    n_angles, n_samples = cost.shape
    half = np.empty((n_angles // 2, n_samples // 2), dtype=np.float32)
    for a in range(n_angles // 2):
        for d in range(n_samples // 2):
            half[a, d] = cost[2 * a, 2 * d] + cost[2 * a + 1, 2 * d]
    path = closed_path(half, LARGEST_STEP, 4.0 * STIFFNESS)
    out = np.empty(n_angles, dtype=np.float32)
    for a in range(n_angles // 2):
        out[2 * a] = out[2 * a + 1] = 2.0 * path[a]
    return out


@compiled
def fine_path(cost: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    """The border as whole samples per angle."""
    return closed_path(cost, LARGEST_STEP, STIFFNESS)


@compiled
def find_edge(
    picture: npt.NDArray[np.float32], path: npt.NDArray[np.int64], level: float
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """The edge near a path to a fraction of a sample, and its contrast in grey levels, one each per angle.

    Neighbouring rays are laid on each other along the path and averaged; the edge is where that profile first passes
    `level` of the way from the brightness inside to that outside, nearest to the path. Without contrast the path stays.
    """
    n_angles, n_samples = picture.shape
    width = 2 * EDGE_REACH + 1
    edge = path.astype(np.float32)
    contrast = np.zeros(n_angles, dtype=np.float32)
    weights = np.empty(2 * _EDGE_ANGLES + 1, dtype=np.float32)
    for k in range(-_EDGE_ANGLES, _EDGE_ANGLES + 1):
        weights[k + _EDGE_ANGLES] = np.exp(-0.5 * (k / _EDGE_SIGMA) ** 2)
    weights /= weights.sum()
    profile = np.empty(width, dtype=np.float32)
    for a in range(n_angles):
        profile[:] = 0.0
        for k in range(-_EDGE_ANGLES, _EDGE_ANGLES + 1):
            row = (a + k) % n_angles
            for j in range(width):
                d = min(max(path[row] + j - EDGE_REACH, 0), n_samples - 1)
                profile[j] += weights[k + _EDGE_ANGLES] * picture[row, d]
        inside = profile[EDGE_REACH + _INSIDE[0] : EDGE_REACH + _INSIDE[1]].mean()
        outside = profile[EDGE_REACH + _OUTSIDE[0] : EDGE_REACH + _OUTSIDE[1]].mean()
        contrast[a] = outside - inside
        if outside <= 1.05 * inside + 1.0:
            continue
        target = inside + level * (outside - inside)
        nearest = np.float32(_EDGE_LIMIT + 1)
        for j in range(EDGE_REACH - _EDGE_LIMIT, EDGE_REACH + _EDGE_LIMIT):
            if profile[j] < target <= profile[j + 1]:
                at = j + (target - profile[j]) / (profile[j + 1] - profile[j]) - EDGE_REACH
                if abs(at) < abs(nearest):
                    nearest = at
        if abs(nearest) <= _EDGE_LIMIT:
            edge[a] = path[a] + nearest
    return edge, contrast


@compiled
def smooth_cyclic(
    values: npt.NDArray[np.float32], weights: npt.NDArray[np.float32], sigma: float
) -> npt.NDArray[np.float32]:
    """Weighted Gaussian smoothing around the circle, `sigma` in angle steps."""
    n = values.shape[0]
    reach = int(4 * sigma) + 1
    out = np.empty(n, dtype=np.float32)
    for a in range(n):
        total, weight = 0.0, 0.0
        for k in range(-reach, reach + 1):
            w = np.exp(-0.5 * (k / sigma) ** 2) * (weights[(a + k) % n] + 0.02)
            total += w * values[(a + k) % n]
            weight += w
        out[a] = total / weight
    return out
