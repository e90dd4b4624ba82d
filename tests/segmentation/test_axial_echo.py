"""The length of an echo is measured in speckle, and a border lies where the echo's power has risen half-way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from boreline.segmentation.axial_echo import AxialEcho, axial_echo
from boreline.segmentation.edges import edge_levels, find_edges

MM = 0.02
LEVELS_PER_DB = 4.0
STEP_AT = 120


def _picture(rng: np.random.Generator, sigma: float, step_db: float) -> np.ndarray:
    """Speckle (256 rays, 256 samples) whose power rises by `step_db` at sample `STEP_AT`; a symmetric pulse."""
    amplitude = np.where(np.arange(256) < STEP_AT, 10 ** (-step_db / 20), 1.0)
    noise = rng.standard_normal((2, 256, 256)) * amplitude
    echo = gaussian_filter1d(gaussian_filter1d(noise, sigma, axis=2, mode="wrap"), 1.5, axis=1, mode="wrap")
    power_db = 10 * np.log10((echo**2).sum(axis=0) / (2 * (echo[:, :, -100:] ** 2).mean()))
    return np.clip(np.rint(180 + LEVELS_PER_DB * power_db), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("sigma", [1.2, 2.0])
def test_speckle_tells_the_length_of_the_pulse_and_the_depth_of_the_display(sigma: float) -> None:
    rng = np.random.default_rng(3)
    echo = axial_echo([_picture(rng, sigma, 0.0) for _ in range(4)], 10, MM, 1.0)
    # The logarithm of a circular Gaussian's power correlates as Li2(exp(-t^2 / 2 s^2)) / Li2(1): one half at 0.91 s
    # (Goodman, Speckle Phenomena in Optics, from memory). The trend that is taken off shortens long pulses a little.
    assert 0.72 < echo.half_width / (0.91 * sigma) < 1.05
    assert 0.85 < echo.levels_per_db / LEVELS_PER_DB < 1.05


@pytest.mark.parametrize("step_db", [6.0, 12.0, 20.0])
@pytest.mark.parametrize("sigma", [1.6, 2.6])
def test_the_border_of_a_symmetric_pulse_is_where_the_power_steps(sigma: float, step_db: float) -> None:
    rng = np.random.default_rng(5)
    pictures = [_picture(rng, sigma, step_db) for _ in range(6)]
    echo = axial_echo(pictures, 10, MM, 1.0)
    path = np.full(256, STEP_AT - 1, dtype=np.int64)
    off, lag = [], []
    for picture in pictures:
        edge, rise = find_edges(picture, path, edge_levels(3.0)[0], False)
        border = echo.border(edge[None], rise[None], np.ones((1, 256), dtype=np.bool_))[0]
        off.append(np.median(border) - (STEP_AT - 0.5))
        lag.append(np.median(border - edge))
    assert abs(np.mean(off)) < 0.6  # samples of 0.02 mm
    assert np.mean(lag) > abs(np.mean(off)) + 0.4  # without the lag the border lies 0.7 to 2.7 too near


def test_a_clean_picture_has_no_lag() -> None:
    picture = _picture(np.random.default_rng(1), 2.0, 12.0)
    assert axial_echo([picture], 10, MM, 0.0).half_width == 0.0
    assert axial_echo([np.zeros_like(picture)], 10, MM, 1.0) == AxialEcho(0.0, 0.0)


def test_rays_that_do_not_see_take_the_lag_of_the_others() -> None:
    echo = AxialEcho(2.0, 4.0)
    seen = np.ones((1, 64), dtype=np.bool_)
    seen[0, 20:40] = False
    rise = np.where(seen, 60.0, np.nan)
    border = echo.border(np.full((1, 64), 50.0), rise, seen)
    np.testing.assert_allclose(border, 50.0 + echo.lag(np.array(60.0)))
    assert echo.lag(np.array([-5.0, 0.0])).tolist() == [0.0, 0.0]
