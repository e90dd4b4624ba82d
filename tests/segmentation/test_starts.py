"""The choice of what tells blood from wall in a run, on made-up pictures with borders at known depths."""

import numpy as np
import pytest

from boreline.segmentation.features import NOTHING_SHARED
from boreline.segmentation.ring_down import RingDown
from boreline.segmentation.starts import Sampled, best_guess

N_FRAMES, N_RAYS, N_SAMPLES, MM = 16, 128, 256, 0.025
WALL_AT, LASTS_JUST_FROM, LASTS_FROM, LASTS_FAR_FROM = 80, 73, 66, 50


def sampled(*, lasts_from):
    """Grey rises at `WALL_AT` with little overlap; speckle lasts from another depth on."""
    random = np.random.default_rng(5)
    shape = (N_FRAMES, N_RAYS, N_SAMPLES)
    depth = np.arange(N_SAMPLES)
    grey = random.normal(np.where(depth < WALL_AT, 60.0, 110.0), 26.0, shape)
    shared = random.normal(np.where(depth < lasts_from, NOTHING_SHARED, 215.0), 16.0, shape)
    unshared = random.normal(NOTHING_SHARED, 20.0, (4, N_RAYS, N_SAMPLES))
    as_bytes = [np.clip(values, 0, 255).astype(np.uint8) for values in (grey, shared, unshared)]
    return Sampled(*as_bytes, RingDown(20, 30), np.full(N_RAYS, N_SAMPLES), MM)


def test_both_cues_are_heard_where_they_agree():
    guess = best_guess(sampled(lasts_from=WALL_AT))
    assert np.median(guess.paths) == pytest.approx(WALL_AT, abs=1)
    assert np.ptp(guess.model.by_shared) > 1.0


def test_lasting_speckle_inside_the_lumen_is_muted_where_brightness_shows_the_clearer_edge():
    guess = best_guess(sampled(lasts_from=LASTS_JUST_FROM))
    assert np.median(guess.paths) == pytest.approx(WALL_AT, abs=1)
    assert not guess.model.by_shared.any()


def test_speckle_that_lasts_as_the_wall_s_is_plaque_though_brightness_shows_a_clearer_edge_behind():
    guess = best_guess(sampled(lasts_from=LASTS_FROM))
    assert np.median(guess.paths) == pytest.approx(LASTS_FROM, abs=1)
    assert guess.model.by_shared.any()


def test_borders_by_brightness_far_outside_are_not_believed():
    guess = best_guess(sampled(lasts_from=LASTS_FAR_FROM))
    assert np.median(guess.paths) == pytest.approx(LASTS_FAR_FROM, abs=1)
