"""Where the border is not seen: shapes drawn by hand, so that the right answer is known."""

from collections.abc import Callable

import numpy as np
import pytest

from boreline.model import BoolArray, FloatArray
from boreline.segmentation.bridging import across
from boreline.segmentation.gaps import mouth
from boreline.segmentation.ring_down import RingDown
from boreline.segmentation.waves import ridge_fit, smooth_shape, stiffness, waves_at

N_RAYS = 128
ANGLE = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
MM = 0.02
RING = RingDown(15, 22)


def ellipse(a: float, b: float, x: float, turn: float = 0.3) -> FloatArray:
    """Depths in samples of an ellipse with half axes `a` and `b`, its middle `x` samples off the catheter."""
    dense = np.linspace(0, 2 * np.pi, 20001)
    px, py = a * np.cos(dense), b * np.sin(dense)
    px, py = px * np.cos(turn) - py * np.sin(turn) + x, px * np.sin(turn) + py * np.cos(turn)
    place = np.unwrap(np.arctan2(py, px))
    order = np.argsort(place % (2 * np.pi))
    depths: FloatArray = np.interp(ANGLE, (place % (2 * np.pi))[order], np.hypot(px, py)[order], period=2 * np.pi)
    return depths


def rays(first: int, count: int) -> BoolArray:
    gap = np.zeros(N_RAYS, dtype=bool)
    gap[(first + np.arange(count)) % N_RAYS] = True
    return gap


def straight(path: FloatArray, gap: BoolArray) -> FloatArray:
    """The bridge that knows nothing of the shape."""
    known = np.flatnonzero(~gap)
    bridged: FloatArray = np.interp(np.arange(N_RAYS), known, path[known], period=N_RAYS)
    return bridged


@pytest.mark.parametrize("first", [0, 20, 50, 100, 120])
@pytest.mark.parametrize("off", [0.0, 30.0, 50.0])
def test_a_gap_is_carried_along_the_shape_better_than_straight(first: int, off: float) -> None:
    truth = ellipse(90.0, 75.0, off)
    gap = rays(first, 22)
    seen = np.where(gap, 5.0, truth)  # whatever stands there must not matter
    found = across(seen, gap, ~gap)
    error, straight_error = (np.abs(path - truth)[gap].max() for path in (found, straight(seen, gap)))
    assert error < max(3.0, 0.4 * straight_error)
    assert error <= straight_error + 0.1
    np.testing.assert_array_equal(found[~gap], truth[~gap])


def test_an_off_centre_lumen_is_not_cut_off() -> None:
    truth = ellipse(80.0, 80.0, 50.0)
    gap = rays(N_RAYS - 12, 24)  # about the far side
    assert np.abs(straight(truth, gap) - truth)[gap].max() > 3.0
    assert np.abs(across(truth, gap, ~gap) - truth)[gap].max() < 0.5


def test_where_little_is_seen_bridges_are_straight() -> None:
    truth = ellipse(80.0, 80.0, 20.0)
    gap = rays(10, 90)
    np.testing.assert_allclose(across(truth, gap, ~gap)[gap], straight(truth, gap)[gap])


def with_bulge(path: FloatArray, middle: int, half: int, depth_mm: float) -> FloatArray:
    """A mouth with steep sides."""
    out = path.copy()
    out[(middle + np.arange(-half, half + 1)) % N_RAYS] += depth_mm / MM
    return out


@pytest.mark.parametrize("off", [0.0, 25.0])
@pytest.mark.parametrize("half", [6, 10, 14])
def test_a_mouth_is_found_where_it_is(half: int, off: float) -> None:
    nothing = np.zeros(N_RAYS, dtype=bool)
    found = mouth(with_bulge(ellipse(75.0, 75.0, off), 40, half, 0.9), nothing, RING, MM)
    true = rays(40 - half, 2 * half + 1)
    assert found[true].all()
    assert (found & ~true).sum() <= 8


@pytest.mark.parametrize("off", [0.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("flat", [1.0, 0.85])
def test_an_off_centre_lumen_is_no_mouth(off: float, flat: float) -> None:
    nothing = np.zeros(N_RAYS, dtype=bool)
    assert not mouth(ellipse(85.0, 85.0 * flat, off), nothing, RING, MM).any()


def test_a_ridge_fit_is_that_of_a_linear_algebra_library() -> None:
    random = np.random.default_rng(5)
    angle = random.uniform(0, 2 * np.pi, 60)
    values, weight = random.normal(size=60), random.uniform(0.1, 1.0, 60)
    basis, ridge = waves_at(np.cos(angle), np.sin(angle), 4), stiffness(4, 0.1)
    np.testing.assert_allclose(basis[:, 7], np.cos(4 * angle), atol=1e-12)
    np.testing.assert_allclose(basis[:, 8], np.sin(4 * angle), atol=1e-12)
    root = np.sqrt(weight)[:, None]
    stacked = np.concatenate([basis * root, np.diag(np.sqrt(ridge))])
    wanted, *_ = np.linalg.lstsq(stacked, np.concatenate([values * root[:, 0], np.zeros(9)]), rcond=None)
    np.testing.assert_allclose(ridge_fit(basis, ridge, values, weight), wanted, atol=1e-9)


@pytest.mark.parametrize("shape", [lambda a: 80 + 5 * np.cos(a), lambda a: 60 + 3 * np.sin(2 * a)])
def test_a_smooth_shape_lies_on_waves_and_leaves_outliers_out(shape: Callable[[FloatArray], FloatArray]) -> None:
    truth = shape(ANGLE)
    path = truth.copy()
    path[30:36] += 25.0
    assert np.abs(smooth_shape(path, np.ones(N_RAYS)) - truth)[60:].max() < 0.6
