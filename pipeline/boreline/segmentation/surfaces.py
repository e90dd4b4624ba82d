"""Optimal closed surfaces in polar pictures, by dynamic programming.

The cost of a path is the sum of its nodes' costs and of ``stiffness * step ** 2`` over its steps between neighbouring
rays. A closed path is found by going round twice and keeping the middle turn: exact whenever the optimal open path
over two turns passes the same depth on the same ray of both turns, which it nearly always does; `closing_gap` tests
count how often it does not and what is lost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray, IntArray

Costs = npt.NDArray[np.float32]


@compiled
def closed_path(cost: Costs, max_step: int, stiffness: float) -> IntArray:
    """Depth index per ray of the cheapest closed path.

    Parameters
    ----------
    cost
        Shape (n_rays, n_depths), float32, finite.
    max_step
        Largest change of depth between neighbouring rays, also from the last to the first.
    stiffness
        Cost of a step of one depth; grows with the square of the step.
    """
    n_rays, n = cost.shape
    turns = 2 * n_rays
    back = np.zeros((turns, n), dtype=np.int8)
    total = np.empty(n + 2 * max_step, dtype=np.float32)
    best = np.empty(n, dtype=np.float32)
    which = np.empty(n, dtype=np.int8)
    total[:] = np.float32(1e30)
    total[max_step : max_step + n] = cost[0]
    for k in range(1, turns):
        row = cost[k % n_rays]
        for j in range(n):
            best[j] = total[max_step + j]
            which[j] = 0
        for step in range(1, max_step + 1):
            toll = np.float32(stiffness * step * step)
            for j in range(n):
                candidate = total[max_step + j - step] + toll
                if candidate < best[j]:
                    best[j] = candidate
                    which[j] = -step
            for j in range(n):
                candidate = total[max_step + j + step] + toll
                if candidate < best[j]:
                    best[j] = candidate
                    which[j] = step
        for j in range(n):
            total[max_step + j] = best[j] + row[j]
            back[k, j] = which[j]
    at = 0
    for j in range(1, n):
        if total[max_step + j] < total[max_step + at]:
            at = j
    path = np.empty(n_rays, dtype=np.int64)
    half = n_rays // 2
    for k in range(turns - 1, 0, -1):
        if half <= k < half + n_rays:
            path[k % n_rays] = at
        at += back[k, at]
    if half == 0:
        path[0] = at
    return path


def path_cost(cost: Costs, path: IntArray, stiffness: float) -> float:
    """What a closed path costs."""
    steps = np.diff(np.append(path, path[0])).astype(np.float64)
    return float(cost[np.arange(len(path)), path].sum() + stiffness * np.sum(steps**2))


def sub_sample(cost: Costs, path: IntArray) -> FloatArray:
    """`path` moved to the bottom of the parabola through each node and its neighbours in depth, by half a step at most."""
    rays = np.arange(len(path))
    inner = np.clip(path, 1, cost.shape[1] - 2)
    left, here, right = (cost[rays, inner + k].astype(np.float64) for k in (-1, 0, 1))
    bend = left - 2 * here + right
    shift = np.where(bend > 1e-9, 0.5 * (left - right) / np.where(bend > 1e-9, bend, 1.0), 0.0)
    moved: FloatArray = path + np.clip(shift, -0.5, 0.5) * (path == inner)
    return moved
