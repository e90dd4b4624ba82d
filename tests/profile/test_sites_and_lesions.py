import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from vessels import profile, table

from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.profile.calcium import summarise_calcium
from boreline.profile.lesions import LesionKind, find_plaque_lesions, find_stenoses, lesion_to_cover
from boreline.profile.record import join_stretches, profile_from_table, stretches
from boreline.profile.sites import Side, find_reference, minimum_lumen, segment_window
from boreline.profile.volumes import VolumeRule, fill_short_gaps, most_diseased_window, segment_volumes


def test_reference_is_the_largest_lumen_within_reach_and_of_one_frame() -> None:
    vessel = table(taper=0.05)
    got = profile_from_table(vessel)
    edge = got.row_at(35.0)
    site = find_reference(got, edge, Side.PROXIMAL)
    assert site is not None
    window = vessel[(vessel.position_mm > 35.0) & (vessel.position_mm <= 45.0)]
    assert site.lumen_area_mm2 == window.lumen_area_mm2.max()
    assert site.eem_area_mm2 == vessel.eem_area_mm2[site.row]
    assert site.frame == vessel.frame[site.row] - 1


def test_no_reference_beyond_a_major_branch_nor_at_any_branch() -> None:
    vessel = table(taper=0.05)
    vessel.loc[vessel.position_mm.between(39.95, 42.05), "flags"] = Flag.BRANCH.value
    vessel.loc[vessel.position_mm.between(36.95, 37.55), "flags"] = Flag.BRANCH.value
    got = profile_from_table(vessel)
    site = find_reference(got, got.row_at(35.0), Side.PROXIMAL)
    assert site is not None
    assert 37.5 < site.position_mm < 40.0  # past the small branch, before the major one
    assert segment_window(got, got.row_at(39.9), Side.PROXIMAL, 10.0).size == 0
    assert find_reference(got, got.row_at(39.9), Side.PROXIMAL) is None


def test_interpolated_rows_are_never_sites() -> None:
    vessel = table()
    dip = vessel.position_mm.between(29.45, 30.55)
    vessel.loc[dip, "n_frames"] = 0
    got = profile_from_table(vessel)
    site = minimum_lumen(got, got.row_at(20.0), got.row_at(40.0))
    assert site is not None
    assert not 29.45 <= site.position_mm <= 30.55


def test_equal_minima_are_decided_by_plaque_burden() -> None:
    vessel = table(taper=0.0, lesion_depth=0.0)
    vessel.loc[[100, 200], "lumen_area_mm2"] = 3.0
    vessel.loc[200, "eem_area_mm2"] = 15.0
    site = minimum_lumen(profile_from_table(vessel), 0, 599)
    assert site is not None
    assert site.row == 200


def test_a_stenosis_spans_what_is_narrowed_by_half() -> None:
    got = profile(taper=0.0, lesion_depth=0.7, lesion_sd_mm=4.0)
    (lesion,) = find_stenoses(got)
    half_width = 4.0 * np.sqrt(2 * np.log(0.7 / 0.5))  # where the lumen reaches half of the reference
    assert lesion.kind is LesionKind.STENOSIS
    assert got.position_mm[lesion.first_row] == pytest.approx(30 - half_width, abs=0.25)
    assert got.position_mm[lesion.last_row] == pytest.approx(30 + half_width, abs=0.25)
    assert lesion.minimum.position_mm == pytest.approx(30.0)


@pytest.mark.parametrize(("apart_mm", "n"), [(4.0, 1), (7.0, 2)])
def test_lesions_are_separate_from_five_millimetres_on(apart_mm: float, n: int) -> None:
    vessel = table(lesion_depth=0.0, taper=0.0)
    for start in (20.0, 22.0 + apart_mm):
        vessel.loc[vessel.position_mm.between(start, start + 2.0), "lumen_area_mm2"] = 2.0
    assert len(find_stenoses(profile_from_table(vessel))) == n


def test_no_stenosis_no_plaque_no_lesion() -> None:
    healthy = profile(lesion_depth=0.1, eem_mm2=11.0)
    assert find_stenoses(healthy) == ()
    assert find_plaque_lesions(healthy) == ()
    assert lesion_to_cover(healthy) is None


def test_mild_disease_is_a_plaque_lesion() -> None:
    mild = profile(lesion_depth=0.2, eem_mm2=12.0, taper=0.0)
    lesion = lesion_to_cover(mild)
    assert lesion is not None
    assert lesion.kind is LesionKind.PLAQUE


def test_bad_tables_are_refused_in_one_line() -> None:
    good = table()
    for broken, word in (
        (good.drop(columns="lumen_area_mm2"), "missing"),
        (good.head(1), "two rows"),
        (good.assign(position_mm=good.position_mm[::-1].to_numpy()), "rising"),
        (good.assign(flags="strange"), "registry"),
    ):
        with pytest.raises(InputRefused, match=word) as refusal:
            profile_from_table(broken)
        assert "\n" not in str(refusal.value)
    with pytest.raises(InputRefused, match="outside"):
        profile_from_table(good).row_at(99.0)


def test_foreign_table_without_optional_columns() -> None:
    small = profile_from_table(table()[["position_mm", "lumen_area_mm2"]])
    assert np.isnan(small.eem_area_mm2).all()
    assert small.measured.all()
    assert small.lumen_mean_diameter_mm[0] == pytest.approx(2 * np.sqrt(small.lumen_area_mm2[0] / np.pi))


@pytest.mark.parametrize(("arc", "grade"), [(0, 0), (1, 1), (90, 1), (91, 2), (180, 2), (271, 4), (360, 4)])
def test_calcium_grades_are_quadrants(arc: float, grade: int) -> None:
    vessel = table(lumen_mm2=5.0, eem_mm2=9.0)
    vessel["calcium_arc_deg"] = float(arc)
    lengths = summarise_calcium(profile_from_table(vessel), 0, len(vessel) - 1).length_by_grade_mm
    assert sum(length > 0 for length in lengths) == grade


def test_calcium_score_counts_what_is_known() -> None:
    vessel = table(lumen_mm2=5.0, eem_mm2=9.0)
    vessel.loc[vessel.position_mm.between(25, 31), "calcium_arc_deg"] = 300.0
    got = profile_from_table(vessel)
    open_score = summarise_calcium(got, 0, 599)
    assert open_score.score == (2, 3)
    assert open_score.severe is True
    assert open_score.longest_over_270_mm == pytest.approx(6.1)
    assert summarise_calcium(got, 0, 100, nodule=False).severe is False
    vessel["calcium_arc_deg"] = np.nan
    nothing = summarise_calcium(profile_from_table(vessel), 0, 599)
    assert nothing.score is None
    assert nothing.severe is None
    assert nothing.as_json()["max_arc_deg"] is None


def test_short_gaps_are_filled_for_volumes_and_long_ones_are_not() -> None:
    x = np.arange(0, 10, 0.5)
    area = 10 + x
    holed = area.copy()
    holed[4:6] = np.nan
    assert fill_short_gaps(x, holed) == pytest.approx(area)
    holed[4:12] = np.nan
    assert np.isnan(segment_volumes(x, holed - 4, holed, VolumeRule.TRAPEZOID).plaque_mm3)
    with pytest.raises(ValueError, match="rising"):
        segment_volumes(x[::-1], area, area, VolumeRule.DISC)


def test_most_diseased_window() -> None:
    got = profile()
    window = most_diseased_window(got.position_mm, got.plaque_burden_pct, got.eem_measured)
    assert window is not None
    assert window[0] == pytest.approx(25.0, abs=0.2)
    assert most_diseased_window(got.position_mm[:50], got.plaque_burden_pct[:50], got.eem_measured[:50]) is None
    assert most_diseased_window(got.position_mm, got.plaque_burden_pct, np.zeros(600, dtype=bool)) is None


@given(arrays(bool, st.integers(0, 40)))
def test_stretches_rebuild_the_mask(mask: np.ndarray) -> None:
    rebuilt = np.zeros(len(mask), dtype=bool)
    for start, stop in stretches(mask):
        assert mask[start:stop].all()
        rebuilt[start:stop] = True
    assert np.array_equal(rebuilt, mask)
    joined = join_stretches(mask, 3)
    assert np.all(joined >= mask)
    assert np.array_equal(join_stretches(joined, 3), joined)
