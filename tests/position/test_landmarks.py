"""Branch mouths and the guide's entry: found under X-ray, matched, left out one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from boreline.flags import Flag
from boreline.position.centreline import Centreline, trace
from boreline.position.landmarks import (
    Landmark,
    branch_mouths,
    compare_landmarks,
    guide_entry,
    guide_tip,
    ivus_branches,
    mean_picture,
)
from boreline_phantoms.xray_check import mouths_mm
from boreline_phantoms.xray_drawing import cine_frames, fluoro_frames
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
        mouths = scene.curve_px(np.mean(mouths_mm(scene), axis=1), time_s, film)
        away_mm = np.hypot(*(mouths[:, None] - found[None]).transpose(2, 0, 1)) * film.view.mm_per_px
        assert (away_mm.min(axis=0) < 1.5).all()
        hits += int((away_mm.min(axis=1) < 1.5).sum())
    assert hits >= 5


def test_a_slanting_branch_pierces_the_wall_farther_on() -> None:
    """At 45 degrees the middle lies a radius on; the hole is the root of two times as long as the branch is wide."""
    scene = xray_scene("easy", 1)
    scene = replace(scene, vessel=replace(scene.vessel, branches=((20.0, 30.0, -45.0),)))
    ((first, last),) = mouths_mm(scene)
    wall_mm = float(scene.vessel.radius_mm(np.array([20.0]))[0])
    np.testing.assert_allclose([(first + last) / 2 - 20, last - first], [wall_mm, 2 * np.sqrt(2) * 0.75 * wall_mm])


def test_the_guide_ends_where_the_scene_ends_it() -> None:
    """Frames of one phase, moved onto each other: the mean shows the guide; without a guide there is no end."""
    scene = replace(xray_scene("middle", 3), clips=0)
    film = scene.fluoro
    number = int(np.argmin(scene.body.phase(film.times_s[:60])))
    picture = next(fluoro_frames(scene, number, number + 1))
    time_s = float(film.times_s[number])
    xy = scene.curve_px(np.arange(25.0, -4.5, -0.1), time_s, film)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    line = Centreline(xy, arc, np.ones(len(xy)))
    shift = np.full((3, 2), [3.0, -2.0])
    shift[2] = np.nan
    moved = np.roll(picture, (2, -3), axis=(0, 1))
    still = mean_picture([moved, moved, np.zeros_like(picture)], shift)
    assert still is not None
    true = float(np.interp(0.0, -np.arange(25.0, -4.5, -0.1), arc))
    assert abs(guide_tip(still, line, film.view.mm_per_px) - true) * film.view.mm_per_px < 0.5
    vessel_only = Centreline(xy[:200], arc[:200], np.ones(200))
    assert np.isnan(guide_tip(still, vessel_only, film.view.mm_per_px))
    assert mean_picture([moved], shift[2:]) is None


def test_the_entry_is_between_the_last_frame_outside_and_the_first_inside() -> None:
    flags = [frozenset({Flag.IN_GUIDE}) if inside else frozenset() for inside in (0, 0, 1, 1, 0, 1)]
    # Between 11 and 12, 13 and 11.5, 11.5 and 12.5: the median of 11.5, 12.25 and 12.
    assert guide_entry(flags, np.array([10.0, 11.0, 12.0, 13.0, 11.5, 12.5])) == 12.0
    assert np.isnan(guide_entry([frozenset()] * 3, np.arange(3.0)))


def test_leaving_one_out_is_worked_by_hand() -> None:
    # Off by 1.0, 1.2 and 0.2 mm: each against the mean of the other two.
    check = compare_landmarks((np.array([5.0, 15.2]), np.array([4.0, 14.0])), (30.2, 30.0))
    np.testing.assert_allclose(check.leave_one_out_mm, [abs(1.0 - 0.7), abs(1.2 - 0.6), abs(0.2 - 1.1)])
    assert check.kinds == (Landmark.BRANCH_MOUTH, Landmark.BRANCH_MOUTH, Landmark.GUIDE_ENTRY)


def test_what_is_far_from_everything_is_no_pair() -> None:
    check = compare_landmarks((np.array([5.0, 40.0]), np.array([5.5, 60.0])), (30.0, float("nan")))
    assert check.ivus_mm.tolist() == [5.0]
    assert check.leave_one_out_mm.size == 0


def test_a_mouth_passed_twice_is_one_landmark() -> None:
    arc = np.concatenate([np.linspace(0, 10, 50), np.linspace(10, 5, 25), np.linspace(5, 20, 75)])
    flags = [frozenset({Flag.BRANCH}) if 6 <= place <= 8 else frozenset() for place in arc]
    np.testing.assert_allclose(ivus_branches(flags, arc), [7.0], atol=0.1)
