"""One stent in steps, assessed by hand: every input of the criteria follows from a few areas.

Lumen and EEM are 8.0 and 14.0 mm2 distally, 10.0 and 17.0 proximally; the stent of 7.0 mm2 lies from 20.0 to 40.1 mm
(rows 200 to 401), and its smallest area, 6.2 in an EEM of 15.5 mm2, is at 30.0 mm.
"""

import math

import numpy as np
import pandas as pd
import pytest
from vessels import stented

import boreline.expansion.stent as stent_module
from boreline.errors import InputRefused
from boreline.expansion.assessing import assess_stent, stated_inputs
from boreline.expansion.criteria import load_criteria
from boreline.expansion.protrusion import Protrusion, tissue_protrusion
from boreline.expansion.stent import (
    _drawn,
    apposition_values,
    detected_stent,
    malapposed_length_mm,
    outside_rows,
    read_stent,
    standing_clear_mm,
    stated_stent,
)
from boreline.model import Structure, Vessel
from boreline.profile.minimum import effective_number
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty, VesselDraws, Window, row_correlation

FIRST, LAST, MSA = 200, 401, 300


def steps() -> pd.DataFrame:
    out = stented(to_mm=40.1)
    row = np.arange(len(out))
    places = [row < FIRST, row > LAST]
    out["lumen_area_mm2"] = np.select(places, [8.0, 10.0], 7.0)
    out["eem_area_mm2"] = np.select(places, [14.0, 17.0], 15.0)
    for name in ("lumen_min", "lumen_max", "eem_min", "eem_max"):
        out[f"{name}_diameter_mm"] = np.nan
    out.loc[MSA, ["stent_area_mm2", "lumen_area_mm2", "eem_area_mm2"]] = [6.2, 6.0, 15.5]
    out.loc[MSA, ["lumen_min_diameter_mm", "lumen_max_diameter_mm"]] = [2.6, 2.9]
    out.loc[170, ["lumen_area_mm2", "eem_area_mm2"]] = [8.5, 14.2]
    out.loc[180, "eem_area_mm2"] = 18.0
    out.loc[440, ["lumen_area_mm2", "eem_area_mm2"]] = [10.4, 17.5]
    out.loc[LAST, "lumen_area_mm2"] = 7.4
    return out


def read(found: Profile, shared: SharedUncertainty | None = None, n_draws: int = 60, **options: object):
    return read_stent(found, shared or SharedUncertainty(), *detected_stent(found), n_draws=n_draws, **options)


def column(found: Profile, first: int, **changed: dict[int, float]) -> Window:
    """One draw from row `first` on: the areas as read, but for the rows named."""
    areas = {}
    for name, rows in changed.items():
        values = getattr(found, f"{name}_area_mm2").copy()[:, None]
        values[list(rows), 0] = list(rows.values())
        areas[Structure[name.upper()]] = values[first:]
    return Window(first, areas, np.ones(1), np.ones(1), np.random.default_rng(0))


EXPECTED = {
    "msa_mm2": 6.2,
    "msa_eem_mm2": 15.5,
    "msa_min_diameter_mm": 2.6,
    "msa_max_diameter_mm": 2.9,
    "proximal_entrance_lumen_mm2": 7.4,
    "distal_lumen_mm2": 8.5,
    "distal_eem_mm2": 14.2,
    "proximal_lumen_mm2": 10.4,
    "proximal_eem_mm2": 17.5,
    "distal_edge_burden_pct": 100 * (1 - 8.0 / 18.0),
    "proximal_edge_burden_pct": 100 * (1 - 10.0 / 17.0),
    "malapposition_mm": 0.0,
    "malapposition_length_mm": 0.0,
    "stented_length_mm": 20.1,
}


def test_every_input_of_the_criteria() -> None:
    got = read(profile_from_table(steps()))
    assert (got.first_row, got.last_row, got.msa.row) == (FIRST, LAST, MSA)
    assert {name: item.value for name, item in got.read.items()} == pytest.approx(EXPECTED)
    assert {side: site.row for side, site in got.references.items()} == {Side.DISTAL: 170, Side.PROXIMAL: 440}
    assert got.msa_read_mm2 == pytest.approx(6.2)
    assert got.chosen == {}
    assert got.read["stented_length_mm"].draws is None  # the axis states no scale
    scaled = read(profile_from_table(steps()), SharedUncertainty(None, 0.05), n_draws=1000)
    assert scaled.read["stented_length_mm"].sd == pytest.approx(0.05 * 20.1, rel=0.1)


def test_the_document_of_the_stent() -> None:
    found = profile_from_table(steps())
    shared = SharedUncertainty(area_correlation_frames=30.0)
    got = read(found, shared)
    document = got.as_json(found)
    assert (document["from_mm"], document["to_mm"]) == pytest.approx((20.0, 40.1))
    assert document["msa"]["stent_area_mm2"] == pytest.approx(6.2)
    assert document["msa"]["lumen_area_mm2"] == pytest.approx(6.0)
    expected = effective_number(202, row_correlation(found, shared))
    assert document["effective_independent_readings"] == pytest.approx(expected)


def test_one_draw_by_hand() -> None:
    """Here row 250 is the smallest stent, row 160 the largest distal lumen, and row 190 the worst distal edge."""
    found = profile_from_table(steps())
    rows = np.arange(FIRST, LAST + 1)
    got = read(found)
    edges = {
        Side.DISTAL: outside_rows(found, FIRST, Side.DISTAL),
        Side.PROXIMAL: outside_rows(found, LAST, Side.PROXIMAL),
    }
    candidates = {Side.DISTAL: np.arange(199, 149, -1), Side.PROXIMAL: np.arange(402, 452)}
    for first in (0, 90):
        window = column(
            found, first, lumen={160: 9.0, LAST: 7.7}, eem={160: 15.0, 190: 20.0, MSA: 15.9}, stent={250: 5.1}
        )
        drawn = _drawn(found, rows, MSA, got.references, candidates, edges, window)
        assert {name: float(values[0]) for name, values in drawn.items()} == pytest.approx(
            {
                "msa_mm2": 5.1,
                "msa_eem_mm2": 15.9,
                "proximal_entrance_lumen_mm2": 7.7,
                "distal_lumen_mm2": 9.0,
                "distal_eem_mm2": 15.0,
                "proximal_lumen_mm2": 10.4,
                "proximal_eem_mm2": 17.5,
                "distal_edge_burden_pct": 100 * (1 - 8.0 / 20.0),
                "proximal_edge_burden_pct": 100 * (1 - 10.0 / 17.0),
            }
        )
    stent_only = _drawn(found, rows, MSA, got.references, candidates, edges, column(found, 0, stent={}))
    assert set(stent_only) == {"msa_mm2"}
    no_eem = _drawn(found, rows, MSA, got.references, candidates, edges, column(found, 0, stent={}, lumen={}))
    assert set(no_eem) == {"msa_mm2", "proximal_entrance_lumen_mm2", "distal_lumen_mm2", "proximal_lumen_mm2"}
    one_sided = {Side.DISTAL: None, Side.PROXIMAL: got.references[Side.PROXIMAL]}
    window = column(found, 0, stent={}, lumen={}, eem={})
    drawn = _drawn(found, rows, MSA, one_sided, candidates, {Side.DISTAL: rows[:0], Side.PROXIMAL: rows[:0]}, window)
    assert set(drawn) == {
        "msa_mm2",
        "msa_eem_mm2",
        "proximal_entrance_lumen_mm2",
        "proximal_lumen_mm2",
        "proximal_eem_mm2",
    }


def test_what_was_not_measured_has_no_draws_and_no_value() -> None:
    readings = steps()
    readings.loc[[MSA, 170], "eem_area_mm2"] = np.nan
    readings.loc[402:451, "eem_area_mm2"] = np.nan
    got = read(profile_from_table(readings))
    assert set(EXPECTED) - set(got.read) == {
        "msa_eem_mm2",
        "distal_eem_mm2",
        "proximal_eem_mm2",
        "proximal_edge_burden_pct",
    }
    assert got.read["distal_lumen_mm2"].value == 8.5
    assert got.read["msa_mm2"].draws is not None
    assert got.read["msa_min_diameter_mm"].draws is None


def test_shared_calibration_doubles_in_areas_and_cancels_in_burdens() -> None:
    readings = steps().assign(lumen_area_sd_mm2=1e-3, eem_area_sd_mm2=1e-3)
    readings.loc[FIRST:LAST, "stent_area_sd_mm2"] = 1e-3
    got = read(profile_from_table(readings), SharedUncertainty(0.1), n_draws=1000)
    for name in ("msa_mm2", "msa_eem_mm2", "distal_lumen_mm2", "proximal_eem_mm2", "proximal_entrance_lumen_mm2"):
        assert got.corrected[name].sd == pytest.approx(0.2 * EXPECTED[name], rel=0.1), name
        assert np.median(got.read[name].draws) == pytest.approx(EXPECTED[name]), name
    assert got.corrected["proximal_edge_burden_pct"].sd < 0.3
    assert got.corrected["msa_mm2"].value == pytest.approx(np.median(got.corrected["msa_mm2"].draws))


def test_a_reference_is_never_below_nothing() -> None:
    """Taking the bias of the largest out of these draws would leave -2 in the first one."""
    found = profile_from_table(steps())
    got = read(found)
    rows = np.arange(FIRST, LAST + 1)
    lumen = np.repeat(found.lumen_area_mm2[:, None], 3, axis=1)
    lumen[150:200] = 0.0
    lumen[160], lumen[161] = [0.0, 0.0, 6.0], [0.0, 6.0, 0.0]
    window = Window(0, {Structure.LUMEN: lumen}, np.ones(3), np.ones(3), np.random.default_rng(0))
    candidates = {Side.DISTAL: np.arange(199, 149, -1), Side.PROXIMAL: np.arange(402, 452)}
    drawn = _drawn(found, rows, MSA, got.references, candidates, dict.fromkeys(Side, rows[:0]), window)
    assert drawn["distal_lumen_mm2"].tolist() == [0.0, 4.0, 4.0]


def test_twelve_millimetres_on_either_side_take_part_in_the_smoothing(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    class Watched(VesselDraws):
        def __init__(self, profile: Profile, shared: SharedUncertainty, *span: int, jumps: tuple[int, ...]) -> None:
            asked.append((*span, jumps))
            super().__init__(profile, shared, *span, jumps=jumps)

    monkeypatch.setattr(stent_module, "VesselDraws", Watched)
    found = profile_from_table(steps())
    read(found)
    read(found, chosen={Side.DISTAL: 100})
    read(found, chosen={Side.PROXIMAL: 500})
    coarse = profile_from_table(steps().assign(position_mm=0.14 * np.arange(600)))  # 12 mm are 85.7 rows
    read(coarse)
    jumps = (FIRST, LAST + 1)
    assert asked.pop() == (200 - 86, 401 + 86, jumps)
    assert asked == [(80, 521, jumps), (-20, 521, jumps), (80, 620, jumps)]


# ------------------------------------------------------------------------------------- struts that stand clear


@pytest.mark.parametrize(
    ("unseen_rows", "largest_mm", "length_rows", "given"),
    [
        (0, 0.3, 5, {"malapposition_mm": 0.3, "malapposition_length_mm": 0.5}),
        (10, 0.3, 5, {"malapposition_mm": 0.3, "malapposition_length_mm": 0.5}),
        (11, 0.3, 5, {}),
        (11, 0.0, 0, {}),
        (11, 0.4, 5, {"malapposition_mm": 0.4}),
        (11, 0.3, 11, {"malapposition_length_mm": 1.1}),
        (11, 0.5, 11, {"malapposition_mm": 0.5, "malapposition_length_mm": 1.1}),
    ],
)
def test_apposition_that_was_not_seen_is_not_taken_for_apposed(
    unseen_rows: int, largest_mm: float, length_rows: int, given: dict[str, float]
) -> None:
    """Rows of 0.1 mm. Beyond 1 mm unseen, only what breaks 0.4 mm over more than 1 mm (Räber 2018) is stated."""
    clear = np.concatenate([np.zeros(20), np.full(length_rows, largest_mm), np.zeros(3), np.full(unseen_rows, np.nan)])
    assert apposition_values(clear, 0.1) == pytest.approx(given)
    assert apposition_values(np.full(30, np.nan), 0.1) == {}


def test_struts_count_only_where_they_are_called_malapposed() -> None:
    readings = steps()
    readings.loc[220:229, "malapposition_mm"] = 0.3
    readings.loc[240:244, "malapposition_mm"] = 0.5
    readings.loc[240:244, "flags"] = "stent;malapposed"
    readings.loc[260, "malapposition_mm"] = np.nan
    readings.loc[260, "flags"] = "stent;malapposed"
    found = profile_from_table(readings)
    clear = standing_clear_mm(found)
    assert np.flatnonzero(clear > 0).tolist() == [240, 241, 242, 243, 244]
    assert clear[225] == 0.0
    assert np.isnan(clear[[0, 260]]).all()
    got = read(found)
    assert got.read["malapposition_mm"].value == 0.5
    assert got.read["malapposition_length_mm"].value == pytest.approx(0.5)
    unflagged = profile_from_table(readings.assign(flags=""))
    assert read(unflagged).read["malapposition_length_mm"].value == pytest.approx(1.0)
    none = profile_from_table(readings.assign(malapposition_mm=np.nan))
    assert "malapposition_mm" not in read(none).read
    assert malapposed_length_mm(np.zeros(5), 0.1) == 0.0
    assert malapposed_length_mm(np.array([0.1, 0.1, 0, 0.1]), 0.5) == 1.0


def test_tissue_beside_struts_that_stand_clear_is_a_lower_bound() -> None:
    readings = steps()
    readings.loc[LAST, "lumen_area_mm2"] = 4.0
    for row, beside in ((LAST, True), (LAST - 1, False)):
        changed = readings.copy()
        changed.loc[row, ["flags", "malapposition_mm"]] = ["stent;malapposed", 0.4]
        found = read(profile_from_table(changed)).protrusion
        assert found is not None
        assert (found.largest_area_mm2, found.position_mm) == (pytest.approx(3.0), pytest.approx(40.1))
        assert found.beside_malapposition is beside
    # Without stated uncertainties every excess of the stent counts, and no excess of the lumen.
    uneven = steps().assign(lumen_area_mm2=7.0, stent_area_sd_mm2=np.nan)
    uneven.loc[MSA, "stent_area_mm2"] = 7.0
    uneven.loc[[220, 221, 230], "lumen_area_mm2"] = [6.9, 6.8, 7.5]
    exact = tissue_protrusion(profile_from_table(uneven), FIRST, LAST, np.zeros(600, dtype=bool))
    assert exact is not None
    assert (exact.volume_mm3, exact.length_mm) == pytest.approx((0.03, 0.2))
    whole = profile_from_table(steps().assign(lumen_area_mm2=7.0))
    nothing = tissue_protrusion(whole, FIRST, LAST, np.ones(whole.n_rows, dtype=bool))
    assert nothing == Protrusion(0.0, 0.0, None, None, 0.0, 0.0, beside_malapposition=False)


# ------------------------------------------------------------------------------------------------ where it lies


def test_the_longest_of_two_stents_is_taken_wherever_it_lies() -> None:
    for rows in (slice(50, 69), slice(500, 519)):
        readings = steps()
        readings.loc[rows, "stent_area_mm2"] = 7.0
        assert detected_stent(profile_from_table(readings)) == (FIRST, LAST)


def test_a_stated_stent_takes_the_nearest_rows_and_needs_an_area() -> None:
    found = profile_from_table(steps())
    assert stated_stent(found, 25.04, 34.96) == (250, 350)
    assert stated_stent(found, 40.0, 50.0) == (400, 500)
    assert stated_stent(found, 10.0, 20.0) == (100, 200)
    for ends in ((40.2, 50.0), (10.0, 19.9), (30.0, 30.0)):
        with pytest.raises(InputRefused, match="stent") as refusal:
            stated_stent(found, *ends)
        assert "--stent-from" in str(refusal.value)


def test_a_chosen_reference_may_lie_right_beside_the_stent() -> None:
    found = profile_from_table(steps())
    got = read(found, chosen={Side.DISTAL: FIRST - 1, Side.PROXIMAL: LAST + 1})
    assert {side: site.row for side, site in got.references.items()} == got.chosen
    for side, row in ((Side.DISTAL, FIRST), (Side.PROXIMAL, LAST)):
        with pytest.raises(InputRefused, match="outside the stent"):
            read(found, chosen={side: row})


def test_rows_without_a_stent_area_are_no_stent() -> None:
    found = profile_from_table(steps())
    with pytest.raises(InputRefused, match="no stent area"):
        read_stent(found, SharedUncertainty(), LAST + 1, LAST + 50)
    assert read_stent(found, SharedUncertainty(), LAST, LAST + 50, n_draws=20).msa.row == LAST


def test_edges_leave_branches_and_what_was_not_seen_out() -> None:
    readings = steps()
    readings.loc[195:199, "flags"] = "branch"
    readings.loc[190, "eem_area_mm2"] = np.nan
    found = profile_from_table(readings)
    expected = [row for row in range(194, 149, -1) if row != 190]
    assert outside_rows(found, FIRST, Side.DISTAL).tolist() == expected
    assert outside_rows(found, 2, Side.DISTAL).tolist() == [1, 0]
    assert outside_rows(found, 597, Side.PROXIMAL).tolist() == [598, 599]


# ------------------------------------------------------------------------------------------------ the assessment


def assess(readings: pd.DataFrame, **options: object):
    found = profile_from_table(readings)
    return assess_stent(
        found, SharedUncertainty(), load_criteria(), detected_stent(found), n_draws=60, **options
    ), found  # type: ignore[arg-type]


def test_the_document_of_an_assessment() -> None:
    readings = steps()
    readings.loc[FIRST, ["lumen_min_diameter_mm", "lumen_max_diameter_mm"]] = [2.4, 3.0]
    readings.loc[LAST, ["lumen_min_diameter_mm", "lumen_max_diameter_mm"]] = [2.8, 3.5]
    readings.loc[350, ["lumen_min_diameter_mm", "lumen_max_diameter_mm"]] = [2.0, 3.2]
    got, found = assess(readings, balloon_mm=3.0, references={Side.DISTAL: 190})
    document = got.as_json(found)
    assert document["shape"] == pytest.approx(
        {
            "Dmin/Dmax in the frame of the minimum": 2.6 / 2.9,
            "(Dmax-Dmin)/Dmax in the frame of the minimum": 0.3 / 2.9,
            "smallest Dmin/Dmax of any frame": 2.0 / 3.2,
            "smallest Dmin over largest Dmax of the whole stent": 2.0 / 3.5,
            "Dmax/Dmin at the distal edge": 3.0 / 2.4,
            "Dmax/Dmin at the proximal edge": 3.5 / 2.8,
        }
    )
    nominal = math.pi * 1.5**2
    first, second = document["targets"]
    assert (first["id"], second["id"]) == ("balloon-70", "balloon-80")
    assert first["nominal_area_mm2"] == pytest.approx(nominal)
    assert (first["target_mm2"], second["target_mm2"]) == pytest.approx((0.7 * nominal, 0.8 * nominal))
    assert first["achieved_fraction"] == pytest.approx(6.2 / nominal)
    assert first["balloon_diameter_mm"] == 3.0
    assert document["references_by"] == {"distal": "operator", "proximal": "proposal"}
    assert document["references"]["distal"]["position_mm"] == pytest.approx(19.0)
    edges = document["edges"]
    burden = edges["distal"]["max_plaque_burden_pct"]["value"]
    assert burden == pytest.approx(EXPECTED["distal_edge_burden_pct"])
    assert edges["proximal"]["reference"]["position_mm"] == pytest.approx(44.0)
    assert edges["proximal"]["within_mm"] == 5.0
    assert document["quantities"]["msa_mm2"]["value"] == pytest.approx(6.2)
    assert document["msa_corrected_mm2"] == document["msa"]["value"]
    assert document["before_after"] is None
    rules = {rule["id"]: rule for rule in document["rules"]}
    assert rules["abs-5.5"]["corrected"].keys() == {"verdict", "value", "threshold", "margin", "probability"}
    assert rules["abs-5.5"]["corrected"]["value"] == pytest.approx(document["msa_corrected_mm2"])
    assert rules["abs-5.5"]["corrected"]["threshold"] == 5.5
    assert rules["abs-5.5"]["verdicts_differ"] is False
    assert rules["balloon-70"]["inputs"]["balloon_diameter_mm"] == 3.0


def test_an_assessment_without_uncertainties_balloon_or_outside() -> None:
    readings = steps().iloc[FIRST : LAST + 1].reset_index(drop=True)
    got, found = assess(readings.assign(stent_area_sd_mm2=np.nan, lumen_area_sd_mm2=np.nan, eem_area_sd_mm2=np.nan))
    document = got.as_json(found)
    assert document["msa_corrected_mm2"] is None
    assert document["msa"]["value"] == pytest.approx(6.2)
    assert document["targets"] == []
    assert document["edges"]["distal"] == {"max_plaque_burden_pct": None, "within_mm": 5.0, "reference": None}
    assert document["references"] == {"distal": None, "proximal": None}
    assert document["shape"]["Dmax/Dmin at the distal edge"] is None
    assert document["shape"]["smallest Dmin/Dmax of any frame"] == pytest.approx(2.6 / 2.9)


def test_what_the_operator_states_stands_above_the_run() -> None:
    def inputs(**options: object) -> dict[str, object]:
        got, _ = assess(steps(), **options)
        left_main = next(result for result in got.rules if result.rule.id == "lee-2023-set").inputs["left_main"]
        msa = next(result for result in got.corrected if result.rule.id == "abs-5.5").inputs["msa_mm2"]
        return {"left_main": left_main, "msa": msa}

    assert inputs()["left_main"] is None
    assert inputs(vessel=Vessel.LEFT_MAIN)["left_main"] is True
    assert inputs(vessel=Vessel.LAD)["left_main"] is False
    assert inputs(vessel=Vessel.LAD, stated=stated_inputs({"left_main": True}))["left_main"] is True
    assert inputs(stated=stated_inputs({"msa_mm2": 4.4}))["msa"] == 4.4


def test_what_would_mend_is_told_against_the_eem_at_the_minimum() -> None:
    """The mean rule asks for 0.9 x (8.5 + 10.4) / 2 = 8.505 mm2, a balloon of 3.291 mm at its full nominal area."""
    got, _ = assess(steps())
    mended = {item["id"]: item for item in got.mending}
    assert mended["mean-90"]["needed_msa_mm2"] == pytest.approx(8.505, abs=1e-5)
    assert mended["mean-90"]["balloon_full_nominal_mm"] == pytest.approx(3.2907, abs=1e-4)
    eem_mm = 2 * math.sqrt(15.5 / math.pi)
    assert mended["mean-90"]["eem_diameter_mm"] == pytest.approx(eem_mm)
    assert mended["mean-90"]["headroom_full_nominal_mm"] == pytest.approx(eem_mm - 3.2907, abs=1e-4)
    assert mended["mean-90"]["balloon_same_fraction_mm"] is None
