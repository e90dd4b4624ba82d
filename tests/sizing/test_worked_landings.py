"""Landings of the vessel of `stepped`, and the map of all their pairs, by hand."""

import math

import numpy as np
import pytest
from stepped import BURDENS, DEVICES, FIRST, LAST, column, found, lesion_of, plan, steps

from boreline.model import Structure
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty, VesselDraws
from boreline.sizing.devices import Device
from boreline.sizing.landing import chosen_landing, propose_landing, reference_rows, suitable
from boreline.sizing.landing_map import EdgeLimit, LandingMap, edge_rows, landing_map

# ------------------------------------------------------------------------------------------------ landings


def test_the_margin_is_a_millimetre_on_both_sides() -> None:
    readings = steps(calcium_arc_deg=np.where(np.arange(600) == 100, 90.5, 0.0))
    readings.loc[200, "flags"] = "branch"
    readings.loc[150, "calcium_arc_deg"] = 90.0
    fit = suitable(profile_from_table(readings))
    outside = np.r_[0:90, 111:190, 211:250, 351:600]
    assert np.array_equal(np.flatnonzero(fit), outside)


def test_the_margin_on_a_coarser_grid_is_rounded_to_rows() -> None:
    """At 0.15 mm a row, 1 mm is 6.7 rows: 7."""
    readings = steps(position_mm=0.15 * np.arange(600))
    readings.loc[200, "flags"] = "branch"
    fit = suitable(profile_from_table(readings))
    assert np.flatnonzero(~fit[:FIRST]).tolist() == list(range(193, 208))


def test_the_nearest_suitable_row_within_ten_millimetres() -> None:
    for gap, expected, remarks in (
        (99, 450, ()),
        (100, 351, ("calcium or a branch within 1 mm",)),
    ):
        readings = steps()
        readings.loc[351 : 351 + gap - 11, "calcium_arc_deg"] = 200.0
        profile = profile_from_table(readings)
        landing = propose_landing(profile, lesion_of(profile), Side.PROXIMAL)
        assert landing is not None
        assert (landing.site.row, landing.remarks) == (expected, remarks)
        assert not landing.chosen_by_operator


def test_the_least_burden_within_twenty_millimetres_where_none_is_low() -> None:
    readings = steps()
    readings.loc[351:, "eem_area_mm2"] = 19.6  # 50 %: not below it
    readings.loc[540, "eem_area_mm2"] = 19.8
    for row, eem, remark in (
        (500, 19.59, ()),
        (500, 19.6, ("no plaque burden below 50 % within 10 mm: least burden taken",)),
    ):
        changed = readings.copy()
        changed.loc[351:, "lumen_area_mm2"] = 9.7
        changed.loc[row, ["lumen_area_mm2", "eem_area_mm2"]] = [9.8, eem]
        changed.loc[560, "eem_area_mm2"] = 12.0  # too far
        profile = profile_from_table(changed)
        landing = propose_landing(profile, lesion_of(found()), Side.PROXIMAL)
        assert landing is not None
        assert (landing.site.row, landing.remarks) == (row, remark)


def test_nothing_to_land_on() -> None:
    readings = steps()
    readings.loc[351:, "n_frames"] = 0
    profile = profile_from_table(readings)
    assert propose_landing(profile, lesion_of(found()), Side.PROXIMAL) is None
    assert propose_landing(profile, lesion_of(found()), Side.DISTAL) is not None


def test_a_landing_without_a_reference() -> None:
    readings = steps()
    readings.loc[351:, "flags"] = "branch"
    profile = profile_from_table(readings)
    landing = chosen_landing(profile, Side.PROXIMAL, 36.0)
    assert landing.reference is None
    assert landing.remarks == ("a side branch opens here",)
    got = plan(profile, proximal_mm=36.0)
    assert "proximal reference: none within 5 mm outside the landing" in got.notes
    assert got.as_json(profile)["references"]["proximal"] is None
    assert math.isnan(got.references.proximal_eem_seen_deg)
    assert math.isnan(got.references.proximal_lumen.value)
    assert "proximal_lumen_mm2" not in got.quantities


def test_the_operators_landing_at_exactly_half() -> None:
    readings = steps()
    readings.loc[400, "eem_area_mm2"] = 19.6
    readings.loc[401, "eem_area_mm2"] = 19.59
    profile = profile_from_table(readings)
    assert chosen_landing(profile, Side.PROXIMAL, 40.0).remarks == ("plaque burden 50 % here, not below 50 %",)
    assert chosen_landing(profile, Side.PROXIMAL, 40.1).remarks == ()


def test_the_reference_is_the_largest_lumen_of_low_burden() -> None:
    readings = steps()
    readings.loc[380, "lumen_area_mm2"] = 10.5  # 36 %
    readings.loc[390, "lumen_area_mm2"] = 12.0
    readings.loc[390, "eem_area_mm2"] = 24.5  # 51 %
    readings.loc[402, "lumen_area_mm2"] = 11.0  # 5.1 mm away
    readings.loc[380, "eem_hidden_deg"] = 40.0
    profile = profile_from_table(readings)
    got = plan(profile, proximal_mm=35.1)
    reference = got.landings[Side.PROXIMAL].reference
    assert reference is not None
    assert reference.row == 380
    assert got.references.proximal_eem_seen_deg == 320.0
    assert reference_rows(profile, 351, Side.PROXIMAL).tolist() == [row for row in range(351, 402) if row != 390]


def test_without_a_low_burden_the_reference_is_where_the_burden_is_not_known() -> None:
    readings = steps()
    readings.loc[351:, "eem_area_mm2"] = 19.7  # 50.3 %
    readings.loc[380, "lumen_area_mm2"] = 9.7
    readings.loc[[380, 390], "eem_area_mm2"] = np.nan
    assert reference_rows(profile_from_table(readings), 351, Side.PROXIMAL).tolist() == [380, 390]


# ------------------------------------------------------------------------------------------------ the map


def map_of(profile: Profile, limits: tuple[EdgeLimit, ...] = (), **options: object) -> LandingMap:
    draws = VesselDraws(profile, SharedUncertainty(), 0, 599, structures=(Structure.LUMEN, Structure.EEM))
    options = {"devices": DEVICES, "n_draws": 40, "draws": draws, **options}
    return landing_map(profile, lesion_of(profile), limits=limits, **options)  # type: ignore[arg-type]


def test_the_map_of_the_vessel_in_steps() -> None:
    readings = steps()
    readings.loc[100:120, "eem_area_mm2"] = 14.0  # 45.7 %, within 5 mm of the five outermost distal places
    readings.loc[430:470, "eem_area_mm2"] = 19.0  # 48.4 %, within 5 mm of the proximal places from 38.1 mm on
    picture = map_of(profile_from_table(readings))
    assert picture.distal_mm == pytest.approx(np.arange(15.9, 25.0, 1.0))
    assert picture.proximal_mm == pytest.approx(np.arange(35.1, 44.2, 1.0))
    assert picture.length_mm[9, 0] == pytest.approx(10.2)
    assert picture.length_mm[0, 9] == pytest.approx(28.2)
    expected = np.select([picture.length_mm <= 12.0, picture.length_mm <= 18.0], [12.0, 18.0], np.nan)
    assert np.array_equal(picture.device_length_mm, expected, equal_nan=True)
    assert picture.smallest_mm == pytest.approx(np.full((10, 10), 3.25))
    assert picture.largest_mm == pytest.approx(np.full((10, 10), 3.75))
    distal = np.where(picture.distal_mm < 17.2, 100 * (1 - 7.6 / 14.0), BURDENS["distal"])
    proximal = np.where(picture.proximal_mm > 38.0, 100 * (1 - 9.8 / 19.0), BURDENS["proximal"])
    assert picture.edge_burden_pct == pytest.approx(np.maximum(distal[:, None], proximal[None, :]))
    assert picture.probability == {}


def test_a_fast_pullback_leaves_no_millimetre_out() -> None:
    """Frames 0.13 mm apart leave every fourth row of the grid empty, among them every other whole millimetre."""
    readings = steps()
    readings.loc[1::4, [name for name in readings if name.endswith("_mm2")]] = np.nan
    picture = map_of(profile_from_table(readings))
    assert picture.distal_mm == pytest.approx([15.9, 16.8, 17.9, 18.8, 19.9, 20.8, 21.9, 22.8, 23.9, 24.8])
    assert len(picture.proximal_mm) == 10


def test_sizes_of_the_map_leave_out_what_was_not_seen() -> None:
    """Without the EEM only lumens count: 3.25 and 3.5. With less than half of it seen one method fewer applies."""
    assert np.unique(map_of(found(eem_hidden_deg=180.0)).largest_mm) == pytest.approx([3.75])
    blind = steps()
    blind.loc[:249, "eem_area_mm2"] = np.nan
    picture = map_of(profile_from_table(blind))
    assert np.unique(picture.smallest_mm) == pytest.approx([3.25])
    assert np.unique(picture.largest_mm) == pytest.approx([3.5])
    assert np.isnan(picture.edge_burden_pct).all()
    tiny = map_of(found(), devices=[Device(2.0, 12.0)])
    assert np.unique(tiny.smallest_mm) == pytest.approx([2.0])  # nearest and down
    # Distally 12.0 in 16.0, proximally 7.0 in 8.0 mm2: only the smaller EEM (3.19 mm, down) takes 3.0, where half of it
    # is seen; the mean lumen (3.45 mm) takes 3.5.
    readings = steps()
    readings.loc[: FIRST - 1, ["lumen_area_mm2", "eem_area_mm2"]] = [12.0, 16.0]
    readings.loc[LAST + 1 :, ["lumen_area_mm2", "eem_area_mm2"]] = [7.0, 8.0]
    sizes = [Device(size, 12.0) for size in (3.0, 3.5, 4.0, 4.5)]
    for hidden_deg, smallest in ((180.0, 3.0), (181.0, 3.5)):
        picture = map_of(profile_from_table(readings.assign(eem_hidden_deg=hidden_deg)), devices=sizes)
        assert np.unique(picture.smallest_mm) == pytest.approx([smallest])


def test_places_without_a_reference_have_one_sided_sizes_or_none() -> None:
    """A short branch at the lesion's edge, and nothing measured beyond it: no row may be a reference."""
    readings = steps()
    readings.loc[351:365, "flags"] = "branch"
    readings.loc[366:, "n_frames"] = 0
    picture = map_of(profile_from_table(readings))
    assert picture.proximal_mm == pytest.approx([35.1, 36.1])
    assert np.unique(picture.smallest_mm) == pytest.approx([3.25])  # distal lumen 3.11 up
    assert np.unique(picture.largest_mm) == pytest.approx([3.75])  # distal EEM 3.97 down
    readings.loc[235:249, "flags"] = "branch"
    readings.loc[:234, "n_frames"] = 0
    picture = map_of(profile_from_table(readings))
    assert picture.smallest_mm.shape == (2, 2)
    assert np.isnan(picture.smallest_mm).all()
    assert np.isnan(picture.largest_mm).all()


def test_the_map_without_a_reference_or_near_the_ends() -> None:
    readings = steps()
    readings.loc[351:, "flags"] = "branch"
    picture = map_of(profile_from_table(readings))
    assert picture.proximal_mm.size == 0
    assert picture.smallest_mm.shape == (10, 0)
    assert picture.as_json()["length_mm"] == [[]] * 10
    short = steps().iloc[: LAST + 12].reset_index(drop=True)
    end = profile_from_table(short)
    picture = map_of(end, (EdgeLimit("all", 100.0),))
    assert picture.proximal_mm == pytest.approx([35.1, 36.1])
    assert np.isfinite(picture.probability["all"]).tolist() == [[True, False]] * 10  # nothing lies beyond the last row
    assert np.isfinite(picture.edge_burden_pct).tolist() == [[True, False]] * 10
    assert edge_rows(end, 361, Side.PROXIMAL).tolist() == []
    assert edge_rows(end, 360, Side.PROXIMAL).tolist() == [361]
    assert edge_rows(end, 1, Side.DISTAL).tolist() == [0]


class TwoDraws:
    """In place of draws of a smoothed vessel: one chunk with the areas as read, one with a plaque at 20.0 mm."""

    def __init__(self, profile: Profile, first: int) -> None:
        self._chunks = (column(profile, first, {}, {}), column(profile, first, {200: 6.2}, {}))

    def windows(self, n_draws: int):
        yield from self._chunks


def test_chances_are_counted_over_all_draws() -> None:
    """In the second draw row 200 has a burden of exactly 50 %: it lies outside the places from 20.1 to 25.0 mm."""
    profile = found()
    limits = (EdgeLimit("below", 50.0), EdgeLimit("at-most", 50.0, or_equal=True), EdgeLimit("never", 40.0))
    for first in (0, 60):
        picture = map_of(profile, limits, draws=TwoDraws(profile, first), n_draws=2)
        near = (picture.distal_mm > 20.05) & (picture.distal_mm < 25.05)
        assert picture.probability["below"] == pytest.approx(np.where(near, 0.5, 1.0)[:, None] * np.ones(10))
        assert picture.probability["at-most"] == pytest.approx(np.ones((10, 10)))
        assert picture.probability["never"] == pytest.approx(np.zeros((10, 10)))
    document = picture.as_json()
    assert document["probability"]["below"][9][0] == 0.5
    assert document["length_mm"][9][0] == pytest.approx(10.2)
    assert map_of(found(eem_area_sd_mm2=np.nan), limits).probability == {}


def test_what_a_draw_does_not_hold_counts_as_too_high() -> None:
    """A window that begins at 20.0 mm says nothing of the edges of places further out, but its first row counts."""
    profile = found()
    limits = (EdgeLimit("all", 100.0), EdgeLimit("below", 50.0))
    picture = map_of(profile, limits, draws=TwoDraws(profile, 200), n_draws=2)
    known = picture.distal_mm > 20.05
    assert picture.probability["all"] == pytest.approx(np.where(known, 1.0, 0.0)[:, None] * np.ones(10))
    assert picture.probability["below"] == pytest.approx(np.where(known, 0.5, 0.0)[:, None] * np.ones(10))
