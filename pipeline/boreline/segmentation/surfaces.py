"""Optimal closed surfaces in polar pictures, by dynamic programming.

The cost of a path is the sum of its nodes' costs and of its tolls, by default ``stiffness * step ** 2``, over its steps
between neighbouring rays. A closed path is found by starting some rays early, going round once, running on for as many
rays, and keeping the turn between: exact whenever the run-in has forgotten where it started, which it nearly always
has. The tests count how often it has not and what is lost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray, IntArray

RUN_IN_RAYS = 40
Costs = npt.NDArray[np.float32]


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
    path: IntArray = tolled_path(cost, (stiffness * np.arange(max_step + 1) ** 2).astype(np.float32))
    return path


@compiled
def tolled_path(cost: Costs, tolls: Costs) -> IntArray:
    """`closed_path` where a step of s depths costs ``tolls[s]``; steps are as large as there are tolls."""
    n_rays, n = cost.shape
    max_step = len(tolls) - 1
    run_in = min(n_rays, RUN_IN_RAYS)
    turns = n_rays + 2 * run_in
    # Totals of all rays are kept and steps found on the way back: the loops over depths only add and take the least.
    total = np.full((turns, n + 2 * max_step), np.float32(1e30), dtype=np.float32)
    total[0, max_step : max_step + n] = cost[(n_rays - run_in) % n_rays]
    for k in range(1, turns):
        before, here = total[k - 1], total[k, max_step : max_step + n]
        here[:] = before[max_step : max_step + n]
        for step in range(1, max_step + 1):
            toll = tolls[step]
            # Slices, since a computed index might be negative, which the compiler would have to look out for.
            below, above = before[max_step - step :][:n], before[max_step + step :][:n]
            for j in range(n):
                least = (min(above[j], below[j])) + toll
                here[j] = min(here[j], least)
        row = cost[(n_rays - run_in + k) % n_rays]
        for j in range(n):
            here[j] += row[j]
    at = 0
    for j in range(1, n):
        if total[turns - 1, max_step + j] < total[turns - 1, max_step + at]:
            at = j
    path = np.empty(n_rays, dtype=np.int64)
    for k in range(turns - 1, 0, -1):
        if run_in <= k < run_in + n_rays:
            path[k - run_in] = at
        before = total[k - 1]
        came, least = 0, before[max_step + at]
        for step in range(1, max_step + 1):
            for way in (-step, step):
                through = before[max_step + at + way] + tolls[step]
                if through < least:
                    came, least = way, through
        at += came
    return path


def thinned_path(cost: Costs, max_step: int, stiffness: float) -> IntArray:
    """`closed_path` on every second depth: a fourth of the work where the exact place is looked for afterwards."""
    thin = np.ascontiguousarray(cost[:, ::2])
    path: IntArray = 2 * closed_path(thin, max(1, max_step // 2), 4.0 * stiffness)
    return path


@compiled
def expected_distance(cost: Costs, path: IntArray, reach: int = 30) -> float:
    """Mean over every second ray of the expected distance to the path, in samples, within `reach`.

    A depth is as likely as its cost says, summed with that of the two neighbouring rays.
    """
    n_rays, n = cost.shape
    values = np.empty(2 * reach + 1)
    total, count = 0.0, 0
    for a in range(0, n_rays, 2):
        values[:] = 0.0
        for s in range(-1, 2):
            b = (a + s) % n_rays
            for k in range(len(values)):
                values[k] += cost[b, min(max(path[b] + k - reach, 0), n - 1)]
        least = values.min()
        mass, moment = 0.0, 0.0
        for k in range(len(values)):
            likely = np.exp(least - values[k])
            mass += likely
            moment += likely * abs(k - reach)
        total += moment / mass
        count += 1
    return total / count


def sub_sample(cost: Costs, path: IntArray) -> FloatArray:
    """`path` moved to the bottom of the parabola through each node and its neighbours, by half a step at most."""
    rays = np.arange(len(path))
    inner = np.clip(path, 1, cost.shape[1] - 2)
    left, here, right = (cost[rays, inner + k].astype(np.float64) for k in (-1, 0, 1))
    bend = left - 2 * here + right
    shift = np.where(bend > 1e-9, 0.5 * (left - right) / np.where(bend > 1e-9, bend, 1.0), 0.0)
    moved: FloatArray = path + np.clip(shift, -0.5, 0.5) * (path == inner)
    return moved
