"""Length in space from two views of curves whose length is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from boreline.position.biplane import arc_in_space
from boreline.position.xray_geometry import XrayGeometry, angle_between_deg

FIRST = XrayGeometry(0.0, 30.0, 1050.0, 765.0, 0.3, (255.5, 255.5))
SECOND = XrayGeometry(60.0, 0.0, 1050.0, 765.0, 0.3, (255.5, 255.5))


def picture_of(places_mm: np.ndarray, radius_mm: np.ndarray, view: XrayGeometry) -> np.ndarray:
    """A dark tube: the beam's path through the nearest cross-section."""
    rows, columns = np.mgrid[:512, :512]
    away, nearest = cKDTree(view.project(places_mm)).query(
        np.column_stack([columns.ravel(), rows.ravel()]), distance_upper_bound=12
    )
    radius_px = np.append(radius_mm, 0.0)[nearest] / view.mm_per_px
    path = 2 * np.sqrt(np.clip(radius_px**2 - np.minimum(away, 99) ** 2, 0, None))
    noise = np.random.default_rng(int(view.primary_deg)).normal(0, 2, 512 * 512)
    return np.clip(200 - 6 * path + noise, 0, 255).reshape(512, 512).astype(np.uint8)


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
    """Arc of a helix: sqrt(r^2 + c^2) per radian. One view sees less; two give it back, and the breath between them."""
    turn = np.linspace(-0.6, 1.0, 500)
    radius, climb = 30.0, 25.0
    helix = np.column_stack([radius * np.sin(turn), radius * np.cos(turn) - 20, -climb * turn])
    length = np.hypot(radius, climb) * (turn[-1] - turn[0])
    line = FIRST.project(helix)
    in_view = np.hypot(*np.diff(line, axis=0).T).sum() * FIRST.mm_per_px
    assert in_view < 0.95 * length
    calibre = 1.4 - 0.6 * np.exp(-(((turn - 0.3) / 0.1) ** 2)) - 0.2 * turn
    pictures = picture_of(helix, calibre, FIRST), picture_of(helix - [0, 0, breath_mm], calibre, SECOND)
    space = arc_in_space(line, pictures, (FIRST, SECOND))
    assert space.arc_mm[-1] == pytest.approx(length, rel=0.02)
    assert space.support > 0.7
    assert space.likeness > 0.9
    across = np.cross(FIRST.axes()[2], SECOND.axes()[2])
    true_shift = np.array([0, 0, -breath_mm]) @ across / np.linalg.norm(across)
    assert abs(space.shift_mm - true_shift) < 2.5 * np.hypot(space.shift_sd_mm, 0.15)


def test_where_nothing_tells_the_shift_the_spread_says_so() -> None:
    """An even tube looks the same everywhere: every shift stays as likely as it was expected."""
    turn = np.linspace(-0.6, 1.0, 500)
    helix = np.column_stack([30 * np.sin(turn), 30 * np.cos(turn) - 20, -25 * turn])
    longer = np.column_stack([30 * np.sin(1.6 * turn), 30 * np.cos(1.6 * turn) - 20, -40 * turn])
    marked = 1.3 - 0.6 * np.exp(-(((1.6 * turn - 0.2) / 0.08) ** 2))
    blind, told = (
        arc_in_space(
            FIRST.project(helix), tuple(picture_of(longer, calibre, view) for view in (FIRST, SECOND)), (FIRST, SECOND)
        )
        for calibre in (np.full(500, 1.3), marked)
    )
    assert blind.shift_sd_mm > 2 * told.shift_sd_mm
    assert blind.relative_sd > told.relative_sd
