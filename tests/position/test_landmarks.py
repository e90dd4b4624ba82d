"""Branch mouths: found in the cine, matched, left out one by one."""

from __future__ import annotations

import numpy as np

from boreline.flags import Flag
from boreline.position.centreline import trace
from boreline.position.landmarks import branch_mouths, compare_landmarks, ivus_branches
from boreline_phantoms.xray_drawing import cine_frames
from boreline_phantoms.xray_scenes import xray_scene


def test_branch_mouths_are_found_in_the_cine() -> None:
    """Six mouths in three scenes: at least five are found, none where there is none."""
    hits = 0
    for seed in (1, 2, 3):
        scene = xray_scene("middle", seed)
        film, time_s = scene.cine, float(scene.cine.times_s[30])
        picture = next(cine_frames(scene, film, 30, 31))
        line = trace(picture, scene.curve_px(np.linspace(75, 3, 10), time_s, film), film.view.mm_per_px)
        found = line.at(branch_mouths(picture, line, film.view.mm_per_px))
        mouths = scene.curve_px(np.array([branch[0] for branch in scene.vessel.branches]), time_s, film)
        away_mm = np.hypot(*(mouths[:, None] - found[None]).transpose(2, 0, 1)) * film.view.mm_per_px
        assert (away_mm.min(axis=0) < 3.0).all()
        hits += int((away_mm.min(axis=1) < 3.0).sum())
    assert hits >= 5


def test_leaving_one_out_is_worked_by_hand() -> None:
    # Off by 1.0, 1.2 and 0.2 mm: each against the mean of the other two.
    check = compare_landmarks(np.array([5.0, 15.2, 30.2]), np.array([4.0, 14.0, 30.0]))
    np.testing.assert_allclose(check.leave_one_out_mm, [abs(1.0 - 0.7), abs(1.2 - 0.6), abs(0.2 - 1.1)])


def test_what_is_far_from_everything_is_no_pair() -> None:
    check = compare_landmarks(np.array([5.0, 40.0]), np.array([5.5, 60.0]))
    assert check.ivus_mm.tolist() == [5.0]
    assert check.leave_one_out_mm.size == 0


def test_a_mouth_passed_twice_is_one_landmark() -> None:
    arc = np.concatenate([np.linspace(0, 10, 50), np.linspace(10, 5, 25), np.linspace(5, 20, 75)])
    flags = [frozenset({Flag.BRANCH}) if 6 <= place <= 8 else frozenset() for place in arc]
    np.testing.assert_allclose(ivus_branches(flags, arc), [7.0], atol=0.1)
