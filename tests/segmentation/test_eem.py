"""The membrane in drawn polar pictures: off-centre vessels, rival rings, shadows, mouths, attenuation."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from boreline.segmentation.eem import MembraneBorder, View, membrane_borders
from boreline.segmentation.eem_cost import MINIMUM_WALL_MM, membrane_cost
from boreline.segmentation.surfaces import tolled_path

N_RAYS, N, MM = 128, 256, 0.02
ANGLE = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
RAYS = np.arange(N_RAYS)
DEPTH = np.arange(N)[None, :]
ENDS = np.full(N_RAYS, N)
SPREAD = 45.0
BLOOD, PLAQUE, MEDIA, ADVENTITIA = 25, 110, 30, 130


def circle(radius_mm: float, off_mm: float, towards_rad: float = 0.4) -> np.ndarray:
    """Depths, in samples, of a circle whose centre lies off the catheter: the law of cosines."""
    along = off_mm * np.cos(ANGLE - towards_rad)
    return (along + np.sqrt(radius_mm**2 - off_mm**2 + along**2)) / MM


def drawn(lumen: np.ndarray, membrane: np.ndarray, *, seed: int = 0, media_mm: float = 0.14) -> np.ndarray:
    """Blood, plaque, media, adventitia, with speckle of a fifth of the level."""
    picture = np.full((N_RAYS, N), float(ADVENTITIA))
    picture[membrane[:, None] > DEPTH] = MEDIA
    picture[(membrane - media_mm / MM)[:, None] > DEPTH] = PLAQUE
    picture[lumen[:, None] > DEPTH] = BLOOD
    return with_speckle(picture, seed)


def with_speckle(picture: np.ndarray, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(size=(N_RAYS, N))
    return np.clip(picture * (1 + 0.2 * noise), 0, 255).astype(np.uint8)


def view(picture: np.ndarray, lumen: np.ndarray, **rays: np.ndarray) -> View:
    cost = membrane_cost(picture, lumen, SPREAD, ENDS, MM)
    none = np.zeros(N_RAYS, dtype=np.bool_)
    chosen = {name: rays.get(name, none) for name in ("wire", "pocket", "shadow")}
    return View(cost, picture, picture, **chosen)


def found(*views: View) -> list[MembraneBorder]:
    return membrane_borders(views, spread=SPREAD, clarity=4.0, mm_per_sample=MM)


def sector(first: int, last: int) -> np.ndarray:
    return (first <= RAYS) & (last > RAYS)


def jaccard(a: np.ndarray, b: np.ndarray) -> float:
    return float((np.minimum(a, b) ** 2).sum() / (np.maximum(a, b) ** 2).sum())


@pytest.mark.parametrize("off_mm", [0.0, 0.5, 1.0, 1.3])
def test_a_vessel_beside_the_catheter_is_followed_along_its_flanks(off_mm: float) -> None:
    lumen, membrane = circle(1.45, off_mm), circle(2.0, off_mm)
    border = found(view(drawn(lumen, membrane), lumen))[0]
    assert jaccard(border.depth, membrane) > 0.975
    assert border.seen.all()


@pytest.mark.parametrize("rest", [0.0, 0.35])
def test_a_stronger_ring_outside_over_part_of_the_circle_does_not_draw_it_away(rest: float) -> None:
    """A pericardium: black before bright, over two fifths of the circle, the membrane itself faint."""
    lumen, membrane = circle(1.2, 0.3), circle(1.6, 0.3)
    frames = []
    for seed in range(5):
        picture = np.full((N_RAYS, N), 125.0)
        picture[membrane[:, None] > DEPTH] = 55.0 + 20.0 * rest
        picture[(membrane - 0.12 / MM)[:, None] > DEPTH] = 110.0
        picture[lumen[:, None] > DEPTH] = BLOOD
        outer = membrane + 0.9 / MM
        far = sector(30, 82)[:, None]
        picture[far & (outer[:, None] - 8 <= DEPTH)] = 10.0
        picture[far & (outer[:, None] <= DEPTH)] = 250.0
        frames.append(view(with_speckle(picture, seed), lumen))
    for border in found(*frames):
        assert jaccard(border.depth, membrane) > 0.95


@pytest.mark.parametrize("seed", [9, 10])
def test_one_frame_that_shows_little_is_helped_by_those_around(seed: int) -> None:
    lumen, membrane = circle(1.2, 0.4), circle(1.7, 0.4)
    clear = [view(drawn(lumen, membrane, seed=k), lumen) for k in range(4)]
    picture = np.full((N_RAYS, N), 115.0)
    picture[lumen[:, None] > DEPTH] = BLOOD
    picture[sector(60, 100)[:, None] & (np.abs(DEPTH - membrane[:, None] + 4) < 4)] = 60.0
    dim = view(with_speckle(picture, seed), lumen)
    alone = jaccard(found(dim)[0].depth, membrane)
    together = found(*clear[:2], dim, *clear[2:])
    assert jaccard(together[2].depth, membrane) > alone + 0.02
    assert all(jaccard(together[k].depth, membrane) > 0.975 for k in (0, 1, 3, 4))


def test_tolls_in_proportion_against_all_paths() -> None:
    random = np.random.default_rng(8)
    tolls = np.array([0.0, 3.0, 5.0], dtype=np.float32)
    n_rays, n = 5, 4

    def paid(cost: np.ndarray, path: np.ndarray) -> float:
        steps = np.abs(np.diff(np.append(path, path[0])))
        return float(cost[np.arange(n_rays), path].sum() + tolls[steps].sum()) if steps.max() <= 2 else np.inf

    exact = 0
    for _ in range(30):
        cost = random.integers(-20, 20, (n_rays, n)).astype(np.float32)
        best = min(paid(cost, np.array(path)) for path in product(range(n), repeat=n_rays))
        exact += paid(cost, tolled_path(cost, tolls)) <= best + 1e-4
    assert exact >= 28  # the run-in is cut to so few rays here that it may remember where it began


def test_a_shadow_hides_its_own_sector_and_the_others_carry_it() -> None:
    lumen, membrane = circle(1.3, 0.4), circle(1.8, 0.4)
    picture = drawn(lumen, membrane)
    dark = sector(40, 70)
    picture[dark[:, None] & (lumen[:, None] + 6 < DEPTH)] = 2
    border = found(view(picture, lumen, shadow=dark))[0]
    assert not border.seen[dark].any()
    assert 30 <= (~border.seen).sum() <= 36
    assert np.abs(border.depth - membrane)[dark].max() * MM < 0.12
    assert jaccard(border.depth, membrane) > 0.97


def test_a_mouth_taken_too_wide_hides_only_what_is_open_at_the_membrane() -> None:
    lumen, membrane = circle(1.3, 0.2), circle(1.8, 0.2)
    picture = drawn(lumen, membrane)
    opened, told = sector(50, 64), sector(42, 72)
    picture[opened[:, None] & (DEPTH > 30) & (membrane[:, None] + 40 > DEPTH)] = BLOOD
    border = found(view(picture, lumen, pocket=told))[0]
    assert not border.seen[sector(52, 62)].any()
    assert 12 <= (~border.seen).sum() <= 20
    assert jaccard(border.depth, membrane) > 0.97


def test_no_border_is_trusted_before_tissue_darkened_by_attenuation() -> None:
    lumen, membrane = circle(1.3, 0.2), circle(1.8, 0.2)
    picture = drawn(lumen, membrane).astype(np.float64)
    weak = sector(20, 60)
    picture[weak[:, None] & (lumen[:, None] + 10 < DEPTH)] *= 0.25
    border = found(view(picture.astype(np.uint8), lumen))[0]
    assert not border.seen[sector(23, 57)].any()
    assert border.seen[sector(64, 128)].all()


def test_nothing_is_seen_where_there_is_no_ring() -> None:
    lumen = circle(1.3, 0.2)
    picture = np.full((N_RAYS, N), float(PLAQUE))
    picture[lumen[:, None] > DEPTH] = BLOOD
    border = found(view(with_speckle(picture, 3), lumen))[0]
    clear = found(view(drawn(lumen, circle(1.8, 0.2)), lumen))[0]
    assert np.isfinite(border.depth).all()
    assert border.seen.mean() < 0.5
    assert np.median(border.ring) < 0.3 * np.median(clear.ring)
    assert border.doubt > 2 * clear.doubt


def plain_cost(grey: np.ndarray, border: int, first: int) -> list[float]:
    """The definition, a mean at a time: how much darker a ring is than what lies outside and inside it."""
    scores = []
    for j in range(first, N - 11):
        best = -np.inf
        for media in (4, 7, 11):  # 0.08, 0.14, 0.22 mm at 0.02 mm
            dark, out = grey[j - media : j].mean(), grey[j : j + 11].mean()
            within = grey[j - media - 8 : j - media].mean()
            best = max(best, out - dark + 0.5 * min(within - dark, out - dark))
        scores.append(-best / SPREAD)
    return scores


def test_the_cost_is_the_mean_levels_by_their_definition() -> None:
    picture = np.random.default_rng(4).integers(20, 255, (N_RAYS, N)).astype(np.uint8)
    lumen = np.full(N_RAYS, 60.0)
    cost = membrane_cost(picture, lumen, SPREAD, ENDS, MM)
    first = 60 + round(MINIMUM_WALL_MM / MM)
    assert (cost[:, :first] > 500).all()
    for k in (0, 17, 127):
        grey = picture[k].astype(np.float64)
        filled = 62
        level = grey[62:80].mean()
        while filled < first and grey[filled] < 0.9 * level:
            filled += 1
        grey[:filled] = level
        np.testing.assert_allclose(cost[k, first : N - 11], plain_cost(grey, 60, first), atol=2e-4)


def test_the_cost_uses_no_sample_beyond_the_picture() -> None:
    picture = drawn(circle(1.3, 0.2), circle(1.8, 0.2))
    ends = np.full(N_RAYS, 180)
    other = picture.copy()
    other[:, 180:] = 255 - other[:, 180:]
    lumen = circle(1.3, 0.2)
    np.testing.assert_array_equal(
        membrane_cost(picture, lumen, SPREAD, ends, MM), membrane_cost(other, lumen, SPREAD, ends, MM)
    )
