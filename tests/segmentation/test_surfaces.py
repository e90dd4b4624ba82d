"""The closed-path solver against brute force on small grids and a general shortest-path library on larger ones."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from boreline.segmentation.surfaces import closed_path, sub_sample, thinned_path


def path_cost(cost, path, stiffness):
    """What a closed path costs, as `boreline.segmentation.surfaces` states it."""
    steps = np.diff(np.append(path, path[0])).astype(np.float64)
    return float(cost[np.arange(len(path)), path].sum() + stiffness * np.sum(steps**2))


def cheapest_by_trying_all(cost, max_step, stiffness):
    n_rays, n = cost.shape
    return min(
        path_cost(cost, np.array(path), stiffness)
        for path in product(range(n), repeat=n_rays)
        if all(abs(path[k] - path[k - 1]) <= max_step for k in range(n_rays))
    )


def cheapest_by_dijkstra(cost, max_step, stiffness):
    """scipy.sparse.csgraph: the cheapest closed path over all starting depths, each an open path from and to it."""
    n_rays, n = cost.shape
    lift = float(cost.min()) - 1.0  # weights must be positive; every closed path has n_rays edges
    rows, columns, weights = [], [], []
    for k in range(n_rays):
        for j in range(n):
            for i in range(max(0, j - max_step), min(n, j + max_step + 1)):
                rows.append(k * n + j)
                columns.append((k + 1) * n + i)
                weights.append(float(cost[k, j]) - lift + stiffness * (i - j) ** 2)
    size = (n_rays + 1) * n
    graph = coo_array((weights, (rows, columns)), shape=(size, size)).tocsr()
    distance = dijkstra(graph, indices=range(n))
    return min(distance[j, n_rays * n + j] for j in range(n)) + n_rays * lift


def is_closed(path, max_step):
    return np.abs(np.diff(np.append(path, path[0]))).max() <= max_step


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_small_grids_against_all_paths(data):
    n_rays, n = data.draw(st.integers(3, 5)), data.draw(st.integers(2, 5))
    values = data.draw(st.lists(st.integers(-20, 20), min_size=n_rays * n, max_size=n_rays * n))
    cost = np.array(values, dtype=np.float32).reshape(n_rays, n)
    path = closed_path(cost, 1, 0.5)
    assert path.min() >= 0
    assert path.max() < n
    if is_closed(path, 1):
        assert path_cost(cost, path, 0.5) >= cheapest_by_trying_all(cost, 1, 0.5) - 1e-4


def test_how_often_small_grids_are_exact():
    random = np.random.default_rng(2)
    exact, closed = 0, 0
    for _ in range(120):
        cost = random.integers(-20, 20, (6, 4)).astype(np.float32)
        path = closed_path(cost, 2, 0.5)
        closed += is_closed(path, 2)
        exact += path_cost(cost, path, 0.5) <= cheapest_by_trying_all(cost, 2, 0.5) + 1e-4
    assert closed >= 118
    assert exact >= 114


def test_large_grids_against_a_library():
    random = np.random.default_rng(5)
    losses, open_ends = [], 0
    for _ in range(12):
        rough = random.normal(size=(96, 24))
        cost = np.cumsum(rough, axis=1).astype(np.float32)
        path = closed_path(cost, 2, 0.3)
        best = cheapest_by_dijkstra(cost, 2, 0.3)
        open_ends += not is_closed(path, 2)
        losses.append((path_cost(cost, path, 0.3) - best) / abs(best))
    assert open_ends == 0
    assert np.mean(np.array(losses) < 1e-5) >= 11 / 12
    assert max(losses) < 0.01


def test_follows_a_valley_and_its_floor():
    rays = np.arange(128)
    valley = 40 + 12 * np.cos(2 * np.pi * rays / 128) + 0.3
    cost = (0.02 * (np.arange(96)[None, :] - valley[:, None]) ** 2).astype(np.float32)
    path = closed_path(cost, 3, 0.01)
    assert np.abs(path - valley).max() < 1.5
    assert np.abs(sub_sample(cost, path) - valley).max() < 0.3
    assert np.abs(thinned_path(cost, 4, 0.01) - valley).max() < 2.5


@pytest.mark.parametrize("shift", [1, 37, 100])
def test_does_not_depend_on_where_the_circle_starts(shift):
    cost = np.cumsum(np.random.default_rng(8).normal(size=(128, 40)), axis=1).astype(np.float32)
    turned = closed_path(np.roll(cost, shift, axis=0), 3, 0.2)
    assert np.array_equal(np.roll(turned, -shift), closed_path(cost, 3, 0.2))
