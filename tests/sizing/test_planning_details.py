"""Edges of the plan that one smooth vessel does not reach."""

import math

import numpy as np
import pytest
from vessels import profile, table

from boreline.model import Structure
from boreline.profile.lesions import lesion_to_cover
from boreline.profile.record import profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import Measured, SharedUncertainty, VesselDraws
from boreline.sizing.devices import Device, Rounding, choose_lengths, round_to_list
from boreline.sizing.landing import chosen_landing, propose_landing, reference_rows
from boreline.sizing.landing_map import EdgeLimit, edge_rows, landing_map
from boreline.sizing.methods import References, apply_methods
from boreline.sizing.planning import make_plan

DEVICES = [Device(size, length) for size in (2.5, 3.0, 3.5, 4.0) for length in (12.0, 18.0, 28.0)]


def test_lengths_at_their_limits() -> None:
    assert choose_lengths(18.0, [12, 18, 28]).lengths_mm == (18,)
    assert choose_lengths(18.01, [12, 18, 28]).lengths_mm == (28,)
    assert choose_lengths(18.0, [12, 18, 28]).over_mm == 0.0
    pair = choose_lengths(30.0, [12, 18, 28])
    assert (pair.lengths_mm, pair.overlap_mm) == ((18, 18), 2.0)
    assert pair.over_mm == pytest.approx(4.0)
    assert choose_lengths(38.0, [12, 18, 28]).lengths_mm == (28, 12)
    assert choose_lengths(54.0, [12, 18, 28]).lengths_mm == (28, 28)
    none = choose_lengths(54.1, [12, 18, 28])
    assert none.lengths_mm == ()
    assert math.isnan(none.over_mm)


def test_rounding_outside_the_list() -> None:
    low, high = round_to_list(2.0, [2.5, 3.0], Rounding.NEAREST), round_to_list(3.4, [2.5, 3.0], Rounding.NEAREST)
    assert (low.diameter_mm, low.below_mm, low.above_mm) == (2.5, None, 2.5)
    assert (high.diameter_mm, high.below_mm, high.above_mm) == (3.0, 3.0, None)
    assert round_to_list(2.0, [2.5, 3.0], Rounding.DOWN).diameter_mm is None
    assert round_to_list(3.4, [2.5, 3.0], Rounding.UP).diameter_mm is None
    assert round_to_list(2.25, [2.5, 3.0], Rounding.UP).diameter_mm == 2.5
    assert round_to_list(2.24, [2.5, 3.0], Rounding.UP).diameter_mm is None
    assert round_to_list(2.76, [2.5, 3.0], Rounding.NEAREST).diameter_mm == 3.0


def test_each_size_has_its_chance_and_the_missing_input_its_name() -> None:
    lumen = Measured(3.0, np.array([2.95] * 30 + [3.05] * 70))
    missing = Measured(math.nan)
    results = apply_methods(
        References(lumen, missing, missing, missing, missing, missing, math.nan, math.nan), DEVICES, 15.0
    )
    found = {result.method.id: result for result in results}
    distal = found["distal-lumen"]
    assert distal.sizes == {3.0: pytest.approx(0.30)}  # 3.05 is 0.45 mm below the next size: none within the rule
    assert distal.device == Device(3.0, 18.0)
    assert found["mean-lumen"].remark == "not assessable: proximal lumen not measurable"
    assert found["mean-lumen"].as_json()["measured_mm"] is None
    assert distal.as_json()["measured_sd_mm"] == pytest.approx(lumen.sd)
    too_long = apply_methods(
        References(lumen, missing, missing, missing, missing, missing, math.nan, math.nan), DEVICES, 40.0
    )
    assert too_long[0].device is None
    no_size = round_to_list(4.1, [4.0], Rounding.UP)
    assert (no_size.diameter_mm, no_size.below_mm, no_size.above_mm) == (None, 4.0, None)


def test_a_positively_remodelled_lesion_takes_the_distal_eem() -> None:
    missing = Measured(math.nan)
    for index, applies in ((1.06, True), (1.05, False)):
        references = References(missing, missing, Measured(3.6), missing, missing, Measured(index), 360.0, 360.0)
        found = {result.method.id: result for result in apply_methods(references, DEVICES, 15.0)}
        result = found["distal-eem-remodelled"]
        assert (result.rounded.diameter_mm == 3.5) is applies
        assert (result.remark is None) is applies
        if not applies:
            assert (
                result.remark
                == "does not apply: the lesion is positively remodelled (index above 1.05) is not the case"
            )
        assert result.device is None  # a balloon


def test_the_operators_landing_says_what_it_lacks() -> None:
    readings = table()
    readings.loc[100, "flags"] = "branch"
    readings.loc[120, "eem_area_mm2"] = np.nan
    found = profile_from_table(readings)
    assert chosen_landing(found, Side.DISTAL, 10.0).remarks == ("a side branch opens here",)
    assert chosen_landing(found, Side.DISTAL, 12.0).remarks == ("EEM not measurable here: plaque burden not known",)
    (high,) = chosen_landing(found, Side.DISTAL, 27.0).remarks
    assert "not below 50 %" in high
    assert chosen_landing(found, Side.DISTAL, 8.0).remarks == ()
    assert chosen_landing(found, Side.DISTAL, 8.0).chosen_by_operator


def test_without_any_eem_the_largest_lumen_is_the_landing() -> None:
    readings = table().assign(eem_area_mm2=np.nan)
    found = profile_from_table(readings)
    lesion = lesion_to_cover(found)
    assert lesion is not None
    landing = propose_landing(found, lesion, Side.PROXIMAL)
    assert landing is not None
    assert landing.site.row == min(lesion.last_row + 200, found.n_rows - 1)  # the vessel widens proximally
    assert landing.remarks == ("EEM not measurable here: plaque burden not known",)
    plan = make_plan(found, SharedUncertainty(), n_draws=50)
    assert math.isnan(plan.references.distal_eem.value)
    picked = {result.method.id for result in plan.methods if math.isfinite(result.measured.value)}
    assert picked == {"distal-lumen", "mean-lumen", "largest-lumen"}


def test_calcium_or_a_branch_within_a_millimetre_only_where_nothing_else_is_left() -> None:
    readings = table()
    lesion = lesion_to_cover(profile_from_table(readings))
    assert lesion is not None
    readings.loc[lesion.last_row + 1 :, "calcium_arc_deg"] = 91.0
    found = profile_from_table(readings)
    landing = propose_landing(found, lesion, Side.PROXIMAL)
    assert landing is not None
    assert landing.remarks == ("calcium or a branch within 1 mm",)
    readings.loc[lesion.last_row + 1 :, "calcium_arc_deg"] = 90.0
    landing = propose_landing(profile_from_table(readings), lesion, Side.PROXIMAL)
    assert landing is not None
    assert landing.remarks == ()


def test_references_prefer_a_low_burden_and_reach_five_millimetres() -> None:
    readings = table(lesion_depth=0.0)
    readings.loc[300:320, "eem_area_mm2"] = 2.1 * readings["lumen_area_mm2"]  # burden 52 %
    found = profile_from_table(readings)
    rows = reference_rows(found, 300, Side.PROXIMAL)
    assert (rows.min(), rows.max()) == (321, 350)
    assert (reference_rows(found, 299, Side.DISTAL).min(), reference_rows(found, 299, Side.DISTAL).max()) == (249, 299)
    readings["eem_area_mm2"] = 2.1 * readings["lumen_area_mm2"]
    assert len(reference_rows(profile_from_table(readings), 300, Side.PROXIMAL)) == 51


def test_the_map_counts_both_edges() -> None:
    found = profile(noise=0.0)
    lesion = lesion_to_cover(found)
    assert lesion is not None
    draws = VesselDraws(found, SharedUncertainty(), 0, 599, structures=(Structure.LUMEN, Structure.EEM))
    limits = [EdgeLimit("all", 100.0, or_equal=True), EdgeLimit("none", 0.0)]
    picture = landing_map(found, lesion, draws, DEVICES, limits, n_draws=100)
    assert picture.probability["all"] == pytest.approx(1.0)
    assert picture.probability["none"] == pytest.approx(0.0)
    assert picture.length_mm == pytest.approx(picture.proximal_mm[None, :] - picture.distal_mm[:, None])
    assert np.all(np.diff(picture.distal_mm) > 0)
    assert np.all(np.isnan(picture.device_length_mm) == (picture.length_mm > 28.0 + 1e-6))
    assert picture.smallest_mm.min() >= 2.5
    rows = edge_rows(found, 300, Side.DISTAL)
    assert (rows.min(), rows.max()) == (250, 299)
    i, j = 2, 3
    row_d, row_p = (found.row_at(float(mm)) for mm in (picture.distal_mm[i], picture.proximal_mm[j]))
    burdens = [
        found.plaque_burden_pct[edge_rows(found, row, side)].max()
        for row, side in ((row_d, Side.DISTAL), (row_p, Side.PROXIMAL))
    ]
    assert picture.edge_burden_pct[i, j] == pytest.approx(max(burdens))
