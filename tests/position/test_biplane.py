"""Length in space from two views of curves whose length is known."""

from __future__ import annotations

import numpy as np
import pytest

from boreline.position.biplane import XrayGeometry, angle_between_deg, arc_in_space_mm

FIRST = XrayGeometry(0.0, 30.0, 1050.0, 765.0, 0.3, (255.5, 255.5))
SECOND = XrayGeometry(60.0, 0.0, 1050.0, 765.0, 0.3, (255.5, 255.5))


def ridge_of(places_mm: np.ndarray, view: XrayGeometry) -> np.ndarray:
    pixels = view.project(places_mm)
    rows, columns = np.mgrid[:512, :512]
    ridge = np.zeros((512, 512))
    for x, y in pixels[::4]:
        window = np.s_[max(int(y) - 10, 0) : int(y) + 11, max(int(x) - 10, 0) : int(x) + 11]
        near = np.exp(-((columns[window] - x) ** 2 + (rows[window] - y) ** 2) / (2 * 3.0**2))
        ridge[window] = np.maximum(ridge[window], near)
    return ridge


def test_places_and_projection_are_inverse() -> None:
    places = np.random.default_rng(0).uniform(-40, 40, (20, 3))
    depth = places @ FIRST.axes()[2]
    np.testing.assert_allclose(FIRST.places_mm(FIRST.project(places), depth), places, atol=1e-9)


def test_the_angle_between_two_beams() -> None:
    assert angle_between_deg(
        XrayGeometry(0, 0, 1, 1, 1, (0, 0)), XrayGeometry(40, 0, 1, 1, 1, (0, 0))
    ) == pytest.approx(40)


@pytest.mark.parametrize("breath_mm", [0.0, 3.0])
def test_a_foreshortened_helix_has_its_analytic_length(breath_mm: float) -> None:
    """Arc of a helix: sqrt(r^2 + c^2) per radian. One view sees less; two give it back."""
    turn = np.linspace(-0.6, 1.0, 500)
    radius, climb = 30.0, 25.0
    helix = np.column_stack([radius * np.sin(turn), radius * np.cos(turn) - 20, -climb * turn])
    length = np.hypot(radius, climb) * (turn[-1] - turn[0])
    line = FIRST.project(helix)
    in_view = np.hypot(*np.diff(line, axis=0).T).sum() * 0.3 * 765 / 1050
    assert in_view < 0.95 * length
    arc, support = arc_in_space_mm(line, FIRST, SECOND, ridge_of(helix - [0, 0, breath_mm], SECOND))
    assert arc[-1] == pytest.approx(length, rel=0.03)
    assert support > 0.8
