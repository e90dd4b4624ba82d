"""Stent, calcium, guide catheter and their helpers on quick polar sketches with known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polar_sketch import MM_PER_SAMPLE, N_ANGLES, Sketch, circle_mm, draw
from scipy.optimize import least_squares

from boreline.model import SectorKind
from boreline.segmentation.apposition import long_gaps
from boreline.segmentation.arcs import Arcs, arcs_of, close_and_drop, grow, join_sectors
from boreline.segmentation.behind_struts import gap_behind
from boreline.segmentation.calcium import find_calcium, wall_echoes
from boreline.segmentation.guidewire import wire_rays
from boreline.segmentation.not_vessel import find_not_vessel
from boreline.segmentation.pockets import APPOSED_MM
from boreline.segmentation.stent import brightest_speckle, find_stent, strut_level
from boreline.segmentation.stent_fit import fit_stent_curves, fourier
from boreline.segmentation.straightened import straighten
from boreline.segmentation.stretches import likely_stretches
from boreline.segmentation.struts import N_CANDIDATES, StrutCandidates, find_candidates

NO_RAYS = np.zeros((40, N_ANGLES), dtype=bool)
FRAMES = 40


def _vessel(lumen_mm=1.6, eem_mm=2.3, x_mm=0.3):
    lumen = np.stack([circle_mm(lumen_mm, x_mm)] * FRAMES)
    return lumen, np.stack([circle_mm(eem_mm, x_mm)] * FRAMES), np.array([[x_mm, 0.0]] * FRAMES)


def _struts(radius_mm, x_mm, frames, n=8):
    """Struts of a round stent, turning slowly along the pullback."""
    rows = []
    for frame in range(FRAMES):
        angles = (np.arange(n) * 360 / n + 2.0 * frame) % 360
        ring = circle_mm(radius_mm, x_mm)
        rows.append([(a, ring[int(a / 360 * N_ANGLES)]) for a in angles] if frame in frames else [])
    return rows


def _find(block, lumen, centre, about, calcified=NO_RAYS):
    found = find_candidates(block, np.full_like(lumen, 0.6), lumen + 0.3, MM_PER_SAMPLE, 150.0)
    level = strut_level(brightest_speckle(block[::8], lumen[::8], MM_PER_SAMPLE))
    return found, find_stent(found, about, centre, NO_RAYS, calcified, level)


# ------------------------------------------------------------------------------------------------ the stent


@pytest.fixture(scope="module")
def stented():
    lumen, eem, centre = _vessel()
    frames = range(10, 33)
    block = draw(Sketch(lumen, eem, struts=_struts(1.57, 0.3, frames)))
    return block, lumen, centre, frames, *_find(block, lumen, centre, np.full_like(lumen, 1.6))


def test_the_stent_begins_and_ends_where_its_struts_do(stented):
    *_, frames, _, stent = stented
    first, last = np.flatnonzero(stent.present)[[0, -1]]
    assert abs(first - frames.start) <= 1
    assert abs(last - (frames.stop - 1)) <= 1


def test_the_area_is_that_of_the_circle_through_the_struts(stented):
    *_, stent = stented
    inside = stent.present
    # The sketch's echo is symmetric about the strut; its visible front lies up to a pulse's width before it.
    assert np.median(stent.area_mm2[inside]) == pytest.approx(np.pi * 1.57**2, rel=0.05)
    assert np.ptp(stent.area_mm2[inside]) / (np.pi * 1.57**2) < 0.05
    assert (stent.confidence[inside] > 0.9).all()
    assert np.isnan(stent.area_mm2[~inside]).all()


def test_each_strut_becomes_a_sector_about_the_centre_of_mass(stented):
    *_, stent = stented
    struts = stent.struts
    assert set(struts.kind) == {SectorKind.STRUT}
    assert np.all(struts.end_deg > struts.start_deg)
    assert struts.depth_mm == pytest.approx(np.full(len(struts.kind), 1.57), abs=0.08)
    assert len(struts.kind) >= 5 * stent.present.sum()


def test_no_stent_in_a_calcified_vessel_without_one():
    lumen, eem, centre = _vessel()
    block = draw(Sketch(lumen, eem, calcium=[(0, 40, 20, 150, 0.0), (0, 40, 200, 290, 0.1)], seed=3))
    calcium = find_calcium(wall_echoes(block, lumen, eem, MM_PER_SAMPLE), lumen, eem, centre, NO_RAYS, NO_RAYS)
    _, stent = _find(block, lumen, centre, np.full_like(lumen, 1.6), calcium.calcified)
    assert not stent.present.any()
    assert np.isnan(stent.area_mm2).all()


@pytest.mark.parametrize(
    ("dots", "peaks", "contrast", "is_stent"),
    [
        (10, (252.0, 255.0), 35.0, True),
        (6, (252.0, 255.0), 80.0, True),
        (6, (252.0, 255.0), 35.0, False),
        (10, (232.0, 255.0), 35.0, False),
        (20, (252.0, 255.0), 35.0, False),
    ],
)
def test_rings_of_bright_wall_speckle_are_no_struts(dots, peaks, contrast, is_stent):
    random = np.random.default_rng(4)
    filled = np.arange(N_CANDIDATES) < dots
    angle = (np.arange(N_CANDIDATES) * 360 / dots + random.uniform(0, 10, (FRAMES, 1))) % 360
    columns = [angle, np.full_like(angle, 1.5), random.uniform(*peaks, angle.shape), np.full_like(angle, contrast)]
    ring = StrutCandidates(*(np.where(filled, c, np.nan) for c in (*columns, np.zeros_like(angle), angle * 0 + 8.0)))
    lumen = np.full((FRAMES, N_ANGLES), 1.6)
    found = find_stent(ring, lumen, np.zeros((FRAMES, 2)), NO_RAYS, NO_RAYS, 230.0)
    assert found.present.all() == is_stent
    assert found.present.any() == is_stent


def _gap_of_a_pocket(deep_mm, half_rays):
    lumen, _, _ = _vessel()
    wall = lumen + np.roll(np.exp(-0.5 * ((np.arange(N_ANGLES) - 128) / half_rays) ** 2), -30) * deep_mm
    struts = _struts(1.57, 0.3, range(FRAMES))
    block = draw(Sketch(wall, wall + 0.6, struts=struts, seed=5))
    stent = np.stack([circle_mm(1.57, 0.3)] * FRAMES)
    angle_deg, depth_mm = np.moveaxis(np.array(struts[10:20]), -1, 0)
    gap, deep = gap_behind(
        straighten(block[10:20], stent[10:20], NO_RAYS[:10], angle_deg, depth_mm, 0.3, MM_PER_SAMPLE)
    )
    return gap, (wall - stent)[10:20], deep


def test_blood_behind_struts_is_a_gap_and_none_behind_apposed_ones():
    gap, true, _ = _gap_of_a_pocket(0.6, 22.0)
    assert np.median(gap[:, true[0] > 0.5]) == pytest.approx(np.median(true[true > 0.5]), abs=0.12)
    assert np.median(gap[:, true[0] < 0.05]) == pytest.approx(APPOSED_MM, abs=0.03)


def test_a_pocket_as_deep_as_a_branch_is_left_open():
    gap, true, deep = _gap_of_a_pocket(1.2, 14.0)
    assert np.isnan(gap[:, true[0] > 1.1]).all()
    assert np.median(deep[:, true[0] > 1.1]) == pytest.approx(1.15, abs=0.2)
    assert np.nanmedian(gap[:, true[0] < 0.05]) == pytest.approx(APPOSED_MM, abs=0.03)


def test_a_deep_pocket_is_a_gap_only_where_frames_nearby_are_malapposed():
    deepest = np.full(9, 1.2)
    beside_gap = np.array([0.04, 0.6, 0.8, np.nan, np.nan, 0.9, 0.7, 0.5, 0.3])
    assert long_gaps(beside_gap, deepest)[3:5] == pytest.approx(1.2)
    assert long_gaps(beside_gap, deepest)[[0, 8]] == pytest.approx(beside_gap[[0, 8]])
    lone = np.array([0.04, 0.04, 0.04, np.nan, np.nan, 0.5, 0.04, 0.04, 0.04])
    assert np.isnan(long_gaps(lone, deepest)[3:5]).all()
    assert np.isnan(long_gaps(np.full(9, np.nan), deepest)).all()


# --------------------------------------------------------------------------------- the curve through the struts


def test_the_fit_equals_a_general_robust_solver_on_clean_struts():
    """Reference: scipy.optimize.least_squares on the same Fourier model, one frame."""
    rng = np.random.default_rng(2)
    angles = rng.uniform(0, 2 * np.pi, (1, 24))
    radii = 1.6 + 0.1 * np.cos(2 * angles) + 0.005 * rng.standard_normal(angles.shape)
    curves = fit_stent_curves(angles, radii, np.ones_like(radii))
    reference = least_squares(lambda c: fourier(angles[0]) @ c - radii[0], np.zeros(9)).x
    assert curves.radii_mm(128)[0] == pytest.approx(fourier(2 * np.pi * np.arange(128) / 128) @ reference, abs=0.01)


def test_the_fit_ignores_outliers_and_knows_the_area_of_an_ellipse():
    rng = np.random.default_rng(3)
    angles = rng.uniform(0, 2 * np.pi, (30, 12))
    a, b = 1.8, 1.5
    radii = a * b / np.hypot(b * np.cos(angles), a * np.sin(angles)) + 0.01 * rng.standard_normal(angles.shape)
    radii[:, ::6] += 0.5
    areas, sd = fit_stent_curves(angles, radii, np.ones_like(radii)).areas_mm2()
    assert areas == pytest.approx(np.full(30, np.pi * a * b), rel=0.02)
    assert (sd > 0).all()
    assert (sd < 0.03 * areas).all()


@settings(max_examples=40, deadline=None)
@given(odds=st.lists(st.floats(-3, 3), min_size=1, max_size=11), cost=st.floats(0.1, 4))
def test_the_stretches_are_the_best_of_all_on_off_sequences(odds, cost):
    """Reference: every sequence tried. Off before and after the run, each change costs."""
    n = len(odds)
    scores = []
    for number in range(2**n):
        on = np.array([number >> i & 1 for i in range(n)])
        scores.append(float(on @ np.array(odds)) - cost * np.abs(np.diff(np.concatenate([[0], on, [0]]))).sum())
    found = likely_stretches(np.array(odds), cost).astype(int)
    ours = float(found @ np.array(odds)) - cost * np.abs(np.diff(np.concatenate([[0], found, [0]]))).sum()
    assert ours == pytest.approx(max(scores), abs=1e-9)


# -------------------------------------------------------------------------------------------------- calcium


def test_a_calcium_arc_is_measured_from_the_centre_of_mass():
    lumen, eem, centre = _vessel(x_mm=0.3)
    block = draw(Sketch(lumen, eem, calcium=[(8, 30, 100, 200, 0.2)]))
    echoes = wall_echoes(block, lumen, eem, MM_PER_SAMPLE)
    found = find_calcium(echoes, lumen, eem, centre, NO_RAYS, NO_RAYS)
    inside = slice(11, 28)
    # The arc's ends, at the front's depth, as seen from the centre of mass.
    ends = []
    for deg in (100, 200):
        depth = circle_mm(1.6, 0.3)[int(deg / 360 * N_ANGLES)] + 0.2
        x, y = depth * np.cos(np.radians(deg)) - 0.3, depth * np.sin(np.radians(deg))
        ends.append(np.degrees(np.arctan2(y, x)) % 360)
    assert found.arc_deg[inside] == pytest.approx(np.full(17, ends[1] - ends[0]), abs=10)
    assert (found.arc_deg[:5] == 0).all()
    assert (found.arc_deg[34:] == 0).all()
    assert found.superficial.mean() > 0.9


def test_attenuated_plaque_is_no_calcium():
    lumen, eem, centre = _vessel()
    block = draw(Sketch(lumen, eem, attenuated=[(8, 30, 60, 150, 0.0)], seed=4))
    found = find_calcium(wall_echoes(block, lumen, eem, MM_PER_SAMPLE), lumen, eem, centre, NO_RAYS, NO_RAYS)
    assert (found.arc_deg[12:27] < 20).mean() > 0.8
    assert (found.attenuated.per_frame_deg(FRAMES)[12:27] > 50).mean() > 0.8


def test_an_ordinary_wall_has_neither():
    lumen, eem, centre = _vessel()
    found = find_calcium(
        wall_echoes(draw(Sketch(lumen, eem, seed=6)), lumen, eem, MM_PER_SAMPLE), lumen, eem, centre, NO_RAYS, NO_RAYS
    )
    assert (found.arc_deg == 0).all()
    assert len(found.attenuated.frame) == 0


def test_a_border_beyond_the_picture_reads_nothing_behind_its_end():
    block = np.full((1, 64, 100), 50, dtype=np.uint8)
    beyond = np.full((1, 64), 102 * MM_PER_SAMPLE)
    echoes = wall_echoes(block, beyond, beyond + 0.5, MM_PER_SAMPLE, 0.2)
    assert (echoes.before == 50.0).all()


def test_only_the_shadow_with_a_loud_echo_before_it_is_the_guidewire():
    before = np.full((20, N_ANGLES), 90.0)
    narrow = np.zeros((20, N_ANGLES), dtype=bool)
    narrow[:, 20:50] = narrow[5:, 120:160] = True
    before[:, 30:40] = 240.0
    wire = wire_rays(before, narrow)
    assert wire[:, 30:40].all()
    assert not wire[:, 120:160].any()
    assert not wire_rays(np.full_like(before, 90.0), narrow).any()


# ------------------------------------------------------------------------------------ frames that are not vessel


def _run_with_guide(backwards):
    lumen, eem, _ = _vessel(1.7, 2.4)
    block = draw(Sketch(lumen, eem, guide_frames=slice(28, 40), seed=7))
    seen = lumen.copy()
    seen[28:] = circle_mm(0.9, 0.3)
    about = np.full_like(lumen, 1.7)
    about[28:] = 0.9
    order = slice(None, None, -1) if backwards else slice(None)
    echoes = wall_echoes(block[order], seen[order], seen[order] + 0.7, MM_PER_SAMPLE)
    return find_not_vessel(about[order], echoes, NO_RAYS), order


@pytest.mark.parametrize("backwards", [False, True])
def test_the_guide_catheter_is_found_at_either_end(backwards):
    found, order = _run_with_guide(backwards)
    truth = np.arange(FRAMES) >= 28
    assert np.array_equal(found.in_guide, truth[order])
    assert not found.outside.any()


@pytest.mark.parametrize("drawn_mm", [0.6, 4.5])
def test_a_guide_catheter_is_told_although_its_border_is_missed(drawn_mm):
    """Drawn at the end of the catheter's halo, or at the end of the view with the tube's echo well within it."""
    lumen, eem, _ = _vessel(1.7, 2.4)
    block = draw(Sketch(lumen, eem, guide_frames=slice(28, 40), guide_x_mm=0.1, seed=11))
    drawn = lumen.copy()
    drawn[28:] = drawn_mm
    about = np.full_like(lumen, 1.7)
    about[:, ::2] += 0.04  # a vessel is never perfectly round
    about[28:] = drawn_mm
    found = find_not_vessel(about, wall_echoes(block, drawn, drawn + 0.7, MM_PER_SAMPLE), NO_RAYS)
    assert np.array_equal(np.flatnonzero(found.in_guide), np.arange(28, FRAMES))
    assert not found.outside.any()


def test_a_narrow_round_vessel_is_no_guide_catheter():
    lumen, eem, _ = _vessel(0.9, 1.6)
    echoes = wall_echoes(draw(Sketch(lumen, eem, seed=8)), lumen, eem, MM_PER_SAMPLE)
    found = find_not_vessel(np.full_like(lumen, 0.9), echoes, NO_RAYS)
    assert not found.in_guide.any()
    assert not found.outside.any()


def test_a_border_beyond_any_coronary_at_the_end_is_outside_the_vessel():
    lumen, eem, _ = _vessel()
    echoes = wall_echoes(draw(Sketch(lumen, eem, seed=9)), lumen, eem, MM_PER_SAMPLE)
    about = np.full_like(lumen, 1.6)
    about[:9] = 4.0
    about[20:22] = 4.0  # a leak of two frames in the middle
    found = find_not_vessel(about, echoes, NO_RAYS)
    assert np.array_equal(np.flatnonzero(found.outside), np.arange(9))


# ----------------------------------------------------------------------------------------------------- arcs


def test_runs_of_rays_cross_the_zero_ray():
    mask = np.zeros((3, 360), dtype=bool)
    mask[0, 350:] = mask[0, :10] = True
    mask[1, 40:60] = True
    mask[2] = True
    arcs = arcs_of(mask, np.full(mask.shape, 2.0), np.zeros((3, 2)))
    assert arcs.start_deg[:2] == pytest.approx([349.5, 39.5])
    assert arcs.per_frame_deg(3) == pytest.approx([20.0, 20.0, 360.0])
    assert arcs.depth_mm == pytest.approx([2.0, 2.0, 2.0])


def test_the_apex_changes_the_angle():
    """Half of a circle of radius 2 seen from 1 mm off its centre: 2 atan(2 / 1) and 360 degrees minus that."""
    mask = np.zeros((2, 360), dtype=bool)
    mask[0, 271:] = mask[0, :91] = True  # the right half
    mask[1, 91:271] = True  # the left half
    arcs = arcs_of(mask, np.full(mask.shape, 2.0), np.array([[1.0, 0.0]] * 2))
    near = 2 * np.degrees(np.arctan2(2, 1))
    assert arcs.per_frame_deg(2) == pytest.approx([360 - near, near], abs=2.0)


def test_gaps_close_short_runs_go_and_seeds_grow():
    mask = np.zeros((1, 40), dtype=bool)
    mask[0, [38, 39, 0, 1, 4, 5, 20]] = True
    closed = close_and_drop(mask, 2, 3)
    assert np.flatnonzero(closed[0]).tolist() == [0, 1, 2, 3, 4, 5, 38, 39]
    allowed = np.zeros_like(mask)
    allowed[0, 4:12] = True
    seed = np.zeros_like(mask)
    seed[0, 4] = True
    assert np.flatnonzero(grow(seed, allowed, 3)[0]).tolist() == [4, 5, 6, 7]


def test_joined_sectors_are_sorted_by_frame():
    one = Arcs(np.array([0, 5]), np.array([10.0, 20.0]), np.array([30.0, 50.0]), np.array([1.0, 1.0]))
    other = Arcs(np.array([2]), np.array([1.0]), np.array([2.0]), np.array([np.nan]))
    joined = join_sectors([one.sectors(SectorKind.CALCIUM), other.sectors(SectorKind.ATTENUATED)])
    assert joined.frame.tolist() == [0, 2, 5]
    assert joined.kind == (SectorKind.CALCIUM, SectorKind.ATTENUATED, SectorKind.CALCIUM)
