"""Edges of the assessment that one worked example does not reach."""

import math

import numpy as np
import pandas as pd
import pytest
from vessels import stented, table

from boreline.errors import InputRefused
from boreline.expansion.alignment import (
    Alignment,
    align_by_fiducials,
    align_dynamically,
    compare,
    same_sites,
    site_in_before_mm,
)
from boreline.expansion.protrusion import tissue_protrusion
from boreline.expansion.stent import detected_stent, outside_rows, read_stent, stated_stent
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import Side, site_at
from boreline.profile.uncertainty import SharedUncertainty


def profile(**columns: object) -> Profile:
    return profile_from_table(stented().assign(**columns))


def read(found: Profile, **options: object):
    return read_stent(found, SharedUncertainty(), *detected_stent(found), n_draws=50, **options)


# ----------------------------------------------------------------------------------------------- protrusion


def test_protrusion_is_stent_minus_lumen_where_it_exceeds_its_uncertainty() -> None:
    readings = stented()
    lumen = readings["lumen_area_mm2"].to_numpy().copy()
    lumen[250:256] -= [0.2, 1.0, 3.0, 1.0, 0.2, 0.2]  # the limit is 1.645 * hypot(0.3, 0.3) = 0.698
    lumen[300:302] -= 1.0
    found = profile_from_table(readings.assign(lumen_area_mm2=lumen))
    clear = np.zeros(found.n_rows, dtype=bool)
    result = tissue_protrusion(found, 200, 400, clear)
    assert result is not None
    assert result.largest_area_mm2 == pytest.approx(3.0)
    assert result.burden_pct == pytest.approx(100 * 3.0 / 7.0)
    assert result.position_mm == pytest.approx(25.2)
    assert result.frame == found.frame[252]
    assert result.length_mm == pytest.approx(0.3)
    assert result.volume_mm3 == pytest.approx((1 + 3 + 1 + 1 + 1) * 0.1)
    assert not result.beside_malapposition
    assert result.as_json()["frame"] == result.frame + 1
    clear[301] = True
    bounded = tissue_protrusion(found, 200, 400, clear)
    assert bounded is not None
    assert bounded.beside_malapposition
    short = tissue_protrusion(found, 253, 299, clear)
    assert short is not None
    assert (short.largest_area_mm2, short.beside_malapposition) == (pytest.approx(1.0), False)


def test_no_protrusion_and_nothing_to_measure() -> None:
    found = profile()
    clear = np.zeros(found.n_rows, dtype=bool)
    none = tissue_protrusion(found, 200, 400, clear)
    assert none is not None
    assert (none.largest_area_mm2, none.length_mm, none.position_mm, none.frame) == (0.0, 0.0, None, None)
    assert none.as_json()["frame"] is None
    assert tissue_protrusion(found, 0, 100, clear) is None
    unknown = profile_from_table(
        stented().assign(lumen_area_mm2=6.9, lumen_area_sd_mm2=math.nan)
    )  # no uncertainty stated: every difference counts
    small = tissue_protrusion(unknown, 200, 400, clear)
    assert small is not None
    assert small.largest_area_mm2 == pytest.approx(0.1)


# ------------------------------------------------------------------------------------------ ends, references


def test_a_stent_may_touch_the_ends_of_the_run() -> None:
    found = profile_from_table(stented().iloc[200:401].reset_index(drop=True))
    result = read(found)
    assert (result.first_row, result.last_row) == (0, found.n_rows - 1)
    assert result.references == {Side.DISTAL: None, Side.PROXIMAL: None}
    assert "proximal_lumen_mm2" not in result.read
    assert "distal_edge_burden_pct" not in result.read
    assert result.read["msa_mm2"].value == pytest.approx(7.0)


def test_edges_are_the_five_millimetres_outside() -> None:
    found = profile()
    first, last = detected_stent(found)
    distal, proximal = outside_rows(found, first, Side.DISTAL), outside_rows(found, last, Side.PROXIMAL)
    assert (distal.min(), distal.max()) == (first - 50, first - 1)
    assert (proximal.min(), proximal.max()) == (last + 1, last + 50)


def test_gaps_in_the_struts_below_a_millimetre_are_one_stent() -> None:
    readings = stented()
    for gap, expected in ((9, (200, 400)), (10, (200, 299))):  # 100 rows with struts on one side, 91 on the other
        holed = readings.copy()
        holed.loc[300 : 300 + gap - 1, ["stent_area_mm2", "stent_area_sd_mm2"]] = np.nan
        assert detected_stent(profile_from_table(holed)) == expected
    assert stated_stent(profile(), 20.0, 40.0) == (200, 400)


def test_chosen_references_are_read_where_they_were_put() -> None:
    found = profile()
    first, last = detected_stent(found)
    result = read(found, chosen={Side.DISTAL: first - 80})
    assert result.references[Side.DISTAL].row == first - 80
    assert result.chosen == {Side.DISTAL: first - 80}
    assert result.read["distal_lumen_mm2"].draws is not None
    assert result.read["distal_lumen_mm2"].value == pytest.approx(found.lumen_area_mm2[first - 80])
    for side, row, word in ((Side.DISTAL, first, "outside"), (Side.PROXIMAL, last, "outside")):
        with pytest.raises(InputRefused, match=word):
            read(found, chosen={side: row})
    blind = stented()
    blind.loc[first - 20, "n_frames"] = 0
    with pytest.raises(InputRefused, match="not measured"):
        read(profile_from_table(blind), chosen={Side.DISTAL: first - 20})


# ------------------------------------------------------------------------------------------------ same sites


def test_a_place_is_found_in_the_earlier_run_only_inside_the_overlap() -> None:
    alignment = Alignment(np.array([10.0, 20.0]), np.array([12.0, 32.0]), "test", 0.0, 0.0)
    assert site_in_before_mm(alignment, 15.0, 0.1) == pytest.approx(22.0)
    assert site_in_before_mm(alignment, 20.05, 0.1) == pytest.approx(32.0)
    assert site_in_before_mm(alignment, 9.95, 0.1) == pytest.approx(12.0)
    assert site_in_before_mm(alignment, 20.2, 0.1) is None
    assert site_in_before_mm(alignment, 9.8, 0.1) is None
    empty = Alignment(np.empty(0), np.empty(0), "test", 0.0, 0.0)
    assert site_in_before_mm(empty, 1.0, 0.1) is None


def test_the_same_site_of_the_earlier_run() -> None:
    before, after = profile_from_table(table()), profile()
    alignment = align_by_fiducials(before, after, [(10.0, 12.0)])  # the later run reads 2 mm more everywhere
    sites = {"reference": site_at(after, 450), "end": site_at(after, 5)}
    found = same_sites(before, after, alignment, sites)
    assert found["end"] is None
    there = found["reference"]
    assert there is not None
    assert there["before"]["position_mm"] == pytest.approx(43.0)
    assert there["before"]["frame"] == int(before.frame[430]) + 1
    assert there["lumen_gain_mm2"] == pytest.approx(after.lumen_area_mm2[450] - before.lumen_area_mm2[430])
    assert there["eem_gain_mm2"] == pytest.approx(after.eem_area_mm2[450] - before.eem_area_mm2[430])


def test_alignment_falls_back_to_the_lumen_and_says_so() -> None:
    readings = table().assign(eem_area_mm2=np.nan)
    shifted = readings.assign(position_mm=readings["position_mm"])
    result = align_dynamically(profile_from_table(readings), profile_from_table(shifted))
    assert "lumen" in result.method
    assert np.abs(result.after_mm - result.before_mm).max() < 1.0
    document = compare(profile_from_table(readings), profile_from_table(shifted), result)
    assert document["mean_plaque_change_mm2"] is None
    assert document["mean_lumen_gain_mm2"] == pytest.approx(0.0, abs=0.05)
    hollow = pd.DataFrame(readings)
    hollow.loc[1:, "lumen_area_mm2"] = np.nan
    with pytest.raises(InputRefused, match="too little"):
        align_dynamically(profile_from_table(hollow), profile_from_table(readings))
