"""Borders that ran away, leapt or collapsed are found and drawn again where a wall is."""

from __future__ import annotations

import numpy as np

from boreline.segmentation import second_look
from boreline.segmentation.lumen import lumen_path

N_FRAMES, N_RAYS, N_SAMPLES, WALL = 20, 128, 256, 60
ENDS = np.full(N_RAYS, N_SAMPLES)


def test_borders_at_the_end_of_the_picture_and_leaps_are_found() -> None:
    lumen = np.full((N_FRAMES, N_RAYS), float(WALL))
    lumen[4, :40] = N_SAMPLES - 1
    lumen[9] = 30.0
    lumen[11] = np.nan
    astray = second_look.run_away(lumen, ENDS)
    assert np.flatnonzero(astray).tolist() == [4]
    assert np.flatnonzero(second_look.leapt(lumen, astray)).tolist() == [9]
    usual = second_look.usual_border(lumen, np.isfinite(lumen).all(axis=1) & ~astray, 9)
    np.testing.assert_allclose(usual, WALL)


def test_too_few_frames_around_give_no_usual_border() -> None:
    lumen = np.full((2, N_RAYS), float(WALL))
    assert second_look.usual_border(lumen, np.ones(2, dtype=np.bool_), 0) is None
    assert not second_look.leapt(lumen * np.array([[1.0], [3.0]]), np.zeros(2, dtype=np.bool_)).any()


def test_a_border_is_held_near_the_usual_one_from_both_sides() -> None:
    voted = np.full((N_RAYS, N_SAMPLES), 0.4, dtype=np.float32)  # blood everywhere: the border runs away
    voted[:, WALL : WALL + 10] = -0.35
    heard = np.ones(N_RAYS)
    assert np.median(lumen_path(voted, 10, 10, ENDS, heard)[0]) > 200
    inner, ends = second_look.within_band(voted, np.full(N_RAYS, 58.0), ENDS, 0.02)
    np.testing.assert_allclose(lumen_path(inner, 10, 10, ends, heard)[0], WALL, atol=1)
    wall = np.full((N_RAYS, N_SAMPLES), -0.4, dtype=np.float32)  # wall everywhere: it collapses
    inner, ends = second_look.within_band(wall, np.full(N_RAYS, 58.0), ENDS, 0.02)
    path = lumen_path(inner, 10, 10, ends, heard)[0]
    assert path.min() >= 58 - 0.3 * 58 - 1


def test_only_a_wall_as_clear_as_usual_is_kept() -> None:
    all_heard, nothing = np.ones(N_RAYS, dtype=np.bool_), np.zeros(N_RAYS)
    assert second_look.wall_found(np.full(N_RAYS, 50.0), nothing, 60.0, heard=all_heard)
    assert not second_look.wall_found(np.full(N_RAYS, 10.0), nothing, 60.0, heard=all_heard)
    # A true leap: the old border stands at a clearer wall.
    assert not second_look.wall_found(np.full(N_RAYS, 45.0), np.full(N_RAYS, 60.0), 60.0, heard=all_heard)
    assert not second_look.wall_found(np.full(N_RAYS, 50.0), nothing, 60.0, heard=~all_heard)
