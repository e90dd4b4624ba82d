"""Optimal closed paths through a polar cost picture, by dynamic programming."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled


@compiled
def cyclic_path(cost: npt.NDArray[np.float32], largest_step: int, stiffness: float) -> npt.NDArray[np.int32]:
    """The closed path of (nearly) least cost: one sample per angle, shape (angles,).

    The path costs ``cost[a, d]`` at each angle and ``stiffness * step^2`` between neighbouring angles, steps being at
    most `largest_step`. The angles are run through twice and the middle turn is kept: where it closes, which is nearly
    always, it is the optimum; else its seam jumps and the remainder is optimal for that seam.
    """
    n_angles, n_samples = cost.shape
    step_cost = np.empty(largest_step + 1, dtype=np.float32)
    for step in range(largest_step + 1):
        step_cost[step] = stiffness * step * step
    back = np.zeros((2 * n_angles, n_samples), dtype=np.int8)
    best = cost[0].copy()
    following = np.empty(n_samples, dtype=np.float32)
    for a in range(1, 2 * n_angles):
        row = cost[a % n_angles]
        for d in range(n_samples):
            lowest = best[d]
            chosen = 0
            for step in range(1, largest_step + 1):
                if d - step >= 0:
                    value = best[d - step] + step_cost[step]
                    if value < lowest:
                        lowest, chosen = value, -step
                if d + step < n_samples:
                    value = best[d + step] + step_cost[step]
                    if value < lowest:
                        lowest, chosen = value, step
            following[d] = lowest + row[d]
            back[a, d] = chosen
        best, following = following, best
    d = int(np.argmin(best))
    path = np.empty(n_angles, dtype=np.int32)
    half = n_angles // 2
    for a in range(2 * n_angles - 1, -1, -1):
        if half <= a < half + n_angles:
            path[a % n_angles] = d
        d += back[a, d]
    return path
