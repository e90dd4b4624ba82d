"""The wall behind struts by its usual profile, on straightened pictures drawn by hand."""

import numpy as np
import pytest
from scipy.stats import norm

from boreline.segmentation.behind_struts import _pockets_of_both
from boreline.segmentation.pockets import APPOSED_MM
from boreline.segmentation.straightened import BRIGHTENED, COVERED, FREE, Straightened, over_frames
from boreline.segmentation.wall_profile import _misfit, gap_by_profile

STEP_MM, N_FRAMES, N_ANGLES = 0.025, 5, 256
OFFSETS_MM = np.round(np.arange(-16, 52) * STEP_MM, 6)
BLOOD, WALL, MEDIA = 40.0, 150.0, 60.0
EVERYWHERE = np.ones(N_FRAMES, dtype=bool)


def _gaps_mm(deep_mm):
    """True gap on each ray: one pocket of the given depth."""
    return deep_mm * np.exp(-0.5 * ((np.arange(N_ANGLES) - 128) / 20.0) ** 2)


def _view(gap_mm, *, plaque_mm=0.0, wall=WALL, usable=EVERYWHERE, lobes=True, seed=3):
    """Blood to the gap; then a wall whose media begins 0.25 mm behind its face, farther with more plaque."""
    behind = OFFSETS_MM - gap_mm[:, None]
    media = np.abs(behind - 0.3 - np.broadcast_to(plaque_mm, N_ANGLES)[:, None]) < 0.05
    grey = np.where(behind < 0, BLOOD, np.where(media, MEDIA, np.broadcast_to(wall, N_ANGLES)[:, None]))
    grey = grey + np.random.default_rng(seed).normal(0, 12, (N_FRAMES, *grey.shape))
    cover = np.full(grey.shape, FREE, dtype=np.uint8)
    if lobes:
        cover[:, :, np.abs(OFFSETS_MM) < 0.1] = BRIGHTENED
        grey[:, :, np.abs(OFFSETS_MM) < 0.1] = WALL
    cover[:, ::16] = COVERED
    levels = (np.full(N_FRAMES, BLOOD), np.full(N_FRAMES, WALL))
    silent = np.zeros((N_FRAMES, N_ANGLES), dtype=bool)
    return Straightened(grey.astype(np.float32), cover, *levels, usable, silent, OFFSETS_MM)


@pytest.mark.parametrize("deep_mm", [0.3, 0.5, 0.7])
def test_a_pocket_is_as_deep_as_the_wall_lies_farther_out(deep_mm):
    true = _gaps_mm(deep_mm)
    found = gap_by_profile(_view(true))
    deep = true > 0.8 * deep_mm
    assert np.abs(found[:, deep] - true[deep]).max() < 0.06
    assert found[:, true < 0.02] == pytest.approx(APPOSED_MM, abs=0.02)


def test_thick_plaque_is_no_gap():
    """The media bends outwards as it does behind a gap, but what lies before it is bright."""
    found = gap_by_profile(_view(np.zeros(N_ANGLES), plaque_mm=_gaps_mm(0.4)))
    assert found == pytest.approx(APPOSED_MM)


def test_a_shadow_is_no_gap():
    wall = np.full(N_ANGLES, WALL)
    wall[110:150] = BLOOD
    assert gap_by_profile(_view(np.zeros(N_ANGLES), wall=wall)) == pytest.approx(APPOSED_MM)


def test_frames_that_are_not_usable_are_unknown_and_do_not_weaken_their_neighbours():
    usable = np.array([False, False, True, True, True])
    true = _gaps_mm(0.5)
    found = gap_by_profile(_view(true, usable=usable))
    assert np.isnan(found[:2]).all()
    assert np.abs(found[2, true > 0.4] - true[true > 0.4]).max() < 0.06


def test_the_mean_over_frames_counts_usable_frames_only():
    values = np.arange(1.0, 6.0, dtype=np.float32)[:, None, None] * np.ones((1, 2, 3), dtype=np.float32)
    usable = np.array([True, False, False, False, True])
    mean = over_frames(values, usable)[:, 0, 0]
    assert mean == pytest.approx([1.0, 1.0, 3.0, 5.0, 5.0], rel=1e-6)


def test_the_misfit_is_the_likelihood_of_normal_samples():
    """Reference: `scipy.stats.norm`, on values no outlier among them."""
    random = np.random.default_rng(1)
    share = random.uniform(0.3, 0.7, (1, 2, 9)).astype(np.float32)
    free = np.ones(share.shape, dtype=bool)
    free[0, 0, 2] = False
    others = np.array([[0.4, 0.3], [0.6, 0.5]])
    profile = np.array([[0.5, 0.4], [0.3, 0.35], [0.7, 0.45]])
    found = _misfit(share, free, ~free & False, others, profile, 6)
    for ray in range(2):
        for gap in range(6):
            model = np.concatenate([np.tile(others[0], (gap, 1)), profile, np.tile(others[1], (6 - gap, 1))])
            logs = norm.logpdf(share[0, ray], model[:, 0], model[:, 1]) + 0.5 * np.log(2 * np.pi)
            assert found[0, ray, gap] == pytest.approx(-logs[free[0, ray]].sum(), rel=1e-5)


def test_a_pocket_by_profile_alone_is_none():
    profiled = np.zeros((2, 12), dtype=bool)
    profiled[0, [11, 0, 1, 5, 6]] = True
    voted = np.zeros((2, 12), dtype=bool)
    voted[0, [1, 2, 8]] = True
    voted[1] = True
    both = _pockets_of_both(profiled, voted)
    assert np.flatnonzero(both[0]).tolist() == [0, 1, 11]
    assert not both[1].any()
