"""The centreline and its length, against curves whose length is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.special import ellipeinc

from boreline.position.centreline import best_filled_frame, trace

MM = 0.25


def tube(curve_px: np.ndarray, radius_px: float, shape: tuple[int, int] = (300, 300), noise: float = 2.0) -> np.ndarray:
    """A contrast-filled tube: darkness = path length through a cylinder."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    distance, _ = cKDTree(curve_px).query(np.column_stack([columns.ravel(), rows.ravel()]))
    depth = 2 * np.sqrt(np.clip(radius_px**2 - distance**2, 0, None)).reshape(shape)
    return 200 - 8 * depth + np.random.default_rng(7).normal(0, noise, shape)


def test_a_quarter_circle_has_its_analytic_length() -> None:
    angle = np.linspace(0, np.pi / 2, 240)
    curve = 40 + 200 * np.column_stack([np.cos(angle), np.sin(angle)])
    inner = slice(15, -15)
    line = trace(tube(curve, 5.0), curve[inner][[0, 60, 130, -1]], MM)
    expected = 200 * (angle[inner][-1] - angle[inner][0])
    assert line.arc_px[-1] == pytest.approx(expected, rel=0.01)
    off = np.abs(np.hypot(*(line.xy_px - 40).T) - 200)
    assert np.percentile(off, 95) < 0.5
    assert line.filled_share > 0.97


def test_a_sine_wave_has_its_analytic_length() -> None:
    """Arc length of y = a sin(k x): an elliptic integral of the second kind."""
    a, k = 25.0, 2 * np.pi / 180
    x = np.linspace(30, 270, 300)
    curve = np.column_stack([x, 150 + a * np.sin(k * (x - 30))])
    line = trace(tube(curve, 4.0), curve[[12, 100, 200, -12]], MM)
    m = (a * k) ** 2 / (1 + (a * k) ** 2)

    def length(to: float) -> float:
        # integral of sqrt(1 + (a k)^2 cos^2) = sqrt(1 + (a k)^2) * integral of sqrt(1 - m sin^2)
        return float(np.sqrt(1 + (a * k) ** 2) / k * ellipeinc(k * (to - 30), m))

    expected = length(line.xy_px[-1, 0]) - length(line.xy_px[0, 0])
    assert line.arc_px[-1] == pytest.approx(expected, rel=0.01)


def test_a_waypoint_decides_at_a_fork() -> None:
    x = np.linspace(20, 280, 260)
    straight = np.column_stack([x, np.full_like(x, 150.0)])
    branch = np.column_stack([x[100:], 150 + 0.5 * (x[100:] - x[100])])
    picture = np.minimum(tube(straight, 4.0), tube(branch, 4.0))
    line = trace(picture, np.array([branch[-15], branch[60], straight[20]]), MM)
    assert line.xy_px[0, 1] == pytest.approx(branch[-15, 1], abs=3)
    assert line.xy_px[-1] == pytest.approx(straight[20], abs=3)


def test_an_empty_stretch_is_seen_to_be_unfilled() -> None:
    x = np.linspace(20, 280, 260)
    curve = np.column_stack([x, 150 + 0.1 * x])
    picture = tube(curve, 5.0)
    picture[:, :100] = 200 + np.random.default_rng(1).normal(0, 2, (300, 100))
    line = trace(picture, curve[[15, 60, 120, -15]], MM)
    assert line.filled_share < 0.85


def test_the_best_filled_frame_is_the_middle_of_the_plateau() -> None:
    assert best_filled_frame(np.array([0, 1, 5, 9.9, 10, 9.8, 9.9, 4, 2.0])) == 4
