"""The vessel of `stepped`, planned by hand: every number of the plan follows from five areas."""

from dataclasses import replace

import numpy as np
import pytest
from stepped import BURDENS, FIRST, LAST, column, diameter, found, plan, steps
from vessels import table

from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty, VesselDraws, Window
from boreline.sizing import planning
from boreline.sizing.devices import Device
from boreline.sizing.planning import _drawn

# ------------------------------------------------------------------------------------------------ the plan


def test_every_measured_number() -> None:
    profile = found()
    got = plan(profile)
    read = {name: item.value for name, item in got.quantities.items()}
    assert read == pytest.approx(
        {
            "distal_lumen_mm2": 7.6,
            "distal_eem_mm2": 12.4,
            "distal_lumen_mm": diameter(7.6),
            "distal_eem_mm": diameter(12.4),
            "distal_burden_pct": BURDENS["distal"],
            "proximal_lumen_mm2": 9.8,
            "proximal_eem_mm2": 16.5,
            "proximal_lumen_mm": diameter(9.8),
            "proximal_eem_mm": diameter(16.5),
            "proximal_burden_pct": BURDENS["proximal"],
            "covered_eem_mm": (diameter(12.4) + 101 * diameter(14.5) + diameter(16.5)) / 103,
            "mla_mm2": 2.9,
            "mla_burden_pct": 80.0,
            "mla_eem_mm2": 14.5,
            "remodelling_distal": 14.5 / 12.4,
            "length_mm": 10.2,
        }
    )
    assert {side: landing.site.row for side, landing in got.landings.items()} == {Side.DISTAL: 249, Side.PROXIMAL: 351}
    assert got.choice is not None
    assert got.choice.lengths_mm == (12.0,)
    assert got.choice.over_mm == pytest.approx(1.8)
    references = got.references
    assert (references.distal_eem_seen_deg, references.proximal_eem_seen_deg) == (360.0, 360.0)
    sizes = {result.method.id: (result.rounded.diameter_mm, result.device) for result in got.methods}
    assert sizes == {
        "distal-lumen": (3.25, Device(3.25, 12.0, 3.75)),  # 3.11 up
        "mean-lumen": (3.25, Device(3.25, 12.0, 3.75)),  # 3.32
        "largest-lumen": (3.5, Device(3.5, 12.0, 4.0)),  # 3.53
        "distal-eem": (3.75, Device(3.75, 12.0, 4.25)),  # 3.97 down
        "smaller-eem": (3.75, Device(3.75, 12.0, 4.25)),
        "mid-wall": (3.5, Device(3.5, 12.0, 4.0)),  # 3.54
        "proximal-eem": (4.5, None),  # 4.58 down, a balloon
        "lesion-media": (4.5, None),  # 4.30, nearer to 4.5 than to 4.0
        "distal-eem-remodelled": (4.0, None),  # 3.97; the index is 1.17
    }


def test_the_document_of_the_plan() -> None:
    profile = found(lumen_area_sd_mm2=np.nan, eem_area_sd_mm2=np.nan)
    document = plan(profile, distal_mm=24.9).as_json(profile)
    assert document["length_mm"] == pytest.approx(10.2)
    assert document["length_sd_mm"] is None
    assert document["length"]["low"] is None
    sites = document["landing_sites"]
    assert {side: site["chosen_by"] for side, site in sites.items()} == {"distal": "operator", "proximal": "proposal"}
    assert sites["distal"]["position_mm"] == pytest.approx(24.9)
    assert sites["distal"]["remarks"] == []
    assert document["references"]["proximal"]["uncertainty"]["eem_mm"]["value"] == pytest.approx(diameter(16.5))
    assert document["references"]["proximal"]["rule"] == "largest lumen within 5 mm outside the landing"
    lesion = document["lesion"]
    assert (lesion["from_mm"], lesion["to_mm"], lesion["length_mm"]) == pytest.approx((25.0, 35.0, 10.0))
    assert lesion["definition"].startswith("lumen narrowed by >= 50 % or plaque burden >= 50 %")
    assert (lesion["mla_read_mm2"], lesion["mla_corrected_mm2"]) == pytest.approx((2.9, 2.9))
    assert lesion["plaque_burden"]["value"] == pytest.approx(80.0)
    distal, proximal = (lesion["against"][side] for side in ("distal", "proximal"))
    assert distal["remodelling_index"] == pytest.approx(14.5 / 12.4)
    assert proximal["remodelling_index"] == pytest.approx(14.5 / 16.5)
    assert (distal["remodelling"], proximal["remodelling"]) == ("positive", "negative")
    assert distal["area_stenosis_pct"] == pytest.approx(100 * (1 - 2.9 / 7.6))
    assert proximal["area_stenosis_pct"] == pytest.approx(100 * (1 - 2.9 / 9.8))
    options = [(one["diameter_mm"], one["length_mm"], one["methods"]) for one in document["devices"]]
    assert options == [
        (3.25, 12.0, ["distal-lumen", "mean-lumen"]),
        (3.5, 12.0, ["largest-lumen", "mid-wall"]),
        (3.75, 12.0, ["distal-eem", "smaller-eem"]),
    ]
    assert document["devices"][0]["post_dilatation_limit_mm"] == 3.75
    assert document["device_length"] == {
        "lengths_mm": [12.0],
        "over_mm": pytest.approx(1.8),
        "overlap_mm": 0.0,
        "order": "distal device first",
    }
    method = document["methods"][0]
    assert (method["for"], method["measured_sd_mm"], method["measured_low_mm"]) == ("stent", None, None)
    assert method["neighbours_mm"] == [3.0, 3.25]
    assert method["device"] == {"diameter_mm": 3.25, "length_mm": 12.0, "post_dilatation_limit_mm": 3.75}
    assert document["calcium"]["max_arc_deg"] == 0.0


def test_what_is_too_long_for_two_devices_or_has_no_landing_says_so() -> None:
    profile = found()
    short = [Device(3.0, 4.0), Device(3.0, 5.0)]
    document = plan(profile, devices=short, distal_mm=20.0).as_json(profile)
    assert document["device_length"]["lengths_mm"] == []
    assert document["device_length"]["over_mm"] is None
    ends = profile_from_table(steps().iloc[FIRST:].reset_index(drop=True))
    one_sided = plan(ends)
    assert set(one_sided.landings) == {Side.PROXIMAL}
    document = one_sided.as_json(ends)
    assert (document["length"], document["length_mm"], document["device_length"]) == (None, None, None)
    assert "no distal landing: the run shows no suitable place; one-sided methods only" in document["notes"]
    # Without a distal landing the stretch to be covered begins with the lesion.
    covered = one_sided.quantities["covered_eem_mm"].value
    assert covered == pytest.approx((101 * diameter(14.5) + diameter(16.5)) / 102)
    assert one_sided.quantities["mla_mm2"].value == pytest.approx(2.9)
    assert "remodelling_distal" not in one_sided.quantities


def test_a_lesion_that_the_landings_do_not_cover_is_not_measured_by_the_plan() -> None:
    """Both landings proximal of it: its minimum is no part of the plan, the stretch between them is."""
    got = plan(found(), distal_mm=40.0, proximal_mm=50.0)
    assert "mla_mm2" not in got.quantities
    assert got.quantities["covered_eem_mm"].value == pytest.approx(diameter(16.5))
    assert got.quantities["length_mm"].value == pytest.approx(10.0)
    beyond = plan(found(), distal_mm=5.0, proximal_mm=50.0)
    assert beyond.quantities["mla_mm2"].value == pytest.approx(2.9)
    # From 5.0 to 50.0 mm: 200 distal, 101 diseased and 150 proximal rows.
    expected = (200 * diameter(12.4) + 101 * diameter(14.5) + 150 * diameter(16.5)) / 451
    assert beyond.quantities["covered_eem_mm"].value == pytest.approx(expected)


def test_landings_in_a_stenosis_or_in_the_wrong_order_are_refused() -> None:
    profile = found()
    for place in (25.0, 30.0, 35.0):
        with pytest.raises(InputRefused, match="inside the stenosis") as refusal:
            plan(profile, distal_mm=place, proximal_mm=50.0)
        assert "--distal" in str(refusal.value)
    with pytest.raises(InputRefused, match="inside the stenosis") as refusal:
        plan(profile, proximal_mm=35.0)
    assert "--proximal" in str(refusal.value)
    assert plan(profile, distal_mm=24.9, proximal_mm=35.1).length is not None
    for places in ((20.0, 20.0), (20.01, 20.03)):  # the second pair shares one row
        with pytest.raises(InputRefused):
            plan(profile, distal_mm=places[0], proximal_mm=places[1])
    with pytest.raises(InputRefused, match="does not lie distal"):
        plan(profile, proximal_mm=20.0)


# ------------------------------------------------------------------------------------------------ draws


def test_draws_of_nearly_exact_readings_are_the_readings() -> None:
    """With areas known to a thousandth the draws can only repeat what was read, in an even vessel."""
    even = table(lesion_depth=0.0, eem_mm2=15.5, taper=0.0).assign(lumen_area_sd_mm2=1e-3, eem_area_sd_mm2=1e-3)
    even.loc[240:360, "lumen_area_mm2"] = 7.7  # a plaque burden of 50.3 %
    got = plan(profile_from_table(even), distal_mm=15.0, proximal_mm=45.0)
    assert set(got.quantities) >= {"mla_mm2", "mla_burden_pct", "mla_eem_mm2", "remodelling_distal", "covered_eem_mm"}
    for name, item in got.quantities.items():
        if name == "length_mm":
            assert item.draws is None
            continue
        assert item.draws is not None, name
        assert item.draws == pytest.approx(np.full(60, item.value), rel=2e-2), name


def test_shared_calibration_doubles_in_areas_and_cancels_in_ratios() -> None:
    """A factor on lengths: relative uncertainty 10 % of diameters, 20 % of areas, none of burdens and of the index."""
    profile = found(lumen_area_sd_mm2=1e-3, eem_area_sd_mm2=1e-3)
    shared = SharedUncertainty(0.1, 0.05, 0.0, 2.0)
    got = plan(profile, shared, n_draws=1000, distal_mm=15.0, proximal_mm=45.0).quantities
    for name, expected in (
        ("distal_lumen_mm2", 0.2),
        ("proximal_eem_mm2", 0.2),
        ("mla_mm2", 0.2),
        ("mla_eem_mm2", 0.2),
        ("distal_lumen_mm", 0.1),
        ("proximal_eem_mm", 0.1),
        ("covered_eem_mm", 0.1),
        ("length_mm", 0.05),
    ):
        item = got[name]
        assert item.sd == pytest.approx(expected * item.value, rel=0.1), name
    for name in ("distal_burden_pct", "mla_burden_pct"):
        assert got[name].sd < 0.5, name
    assert got["remodelling_distal"].sd < 0.01


@pytest.mark.parametrize(("first", "smallest"), [(0, 300), (100, FIRST + 1), (199, LAST)])
def test_one_draw_by_hand(first: int, smallest: int) -> None:
    """In this draw row 230 has the largest distal lumen, 9.0 in an EEM of 13.5, and one row the smallest lumen, 2.5."""
    profile = found()
    got = plan(profile)
    rows = np.arange(249, 352)
    window = column(profile, first, {230: 9.0, smallest: 2.5}, {230: 13.5, got.lesion.minimum.row: 14.0})
    drawn = _drawn(profile, got.landings, got.lesion, rows, window)
    covered = (diameter(12.4) + 100 * diameter(14.5) + diameter(14.0) + diameter(16.5)) / 103
    assert {name: float(values[0]) for name, values in drawn.items()} == pytest.approx(
        {
            "distal_lumen_mm2": 9.0,
            "distal_lumen_mm": diameter(9.0),
            "distal_eem_mm2": 13.5,
            "distal_eem_mm": diameter(13.5),
            "distal_burden_pct": 100 * (1 - 9.0 / 13.5),
            "proximal_lumen_mm2": 9.8,
            "proximal_lumen_mm": diameter(9.8),
            "proximal_eem_mm2": 16.5,
            "proximal_eem_mm": diameter(16.5),
            "proximal_burden_pct": BURDENS["proximal"],
            "covered_eem_mm": covered,
            "mla_mm2": 2.5,
            "mla_eem_mm2": 14.0,
            "mla_burden_pct": 100 * (1 - 2.9 / 14.0),
            "remodelling_distal": 14.0 / 13.5,
        }
    )
    lumen_only = _drawn(profile, got.landings, got.lesion, rows, column(profile, 0, {}))
    # The last row of the run is no neighbour of a window that begins a row too late.
    late = _drawn(profile, got.landings, None, rows[:0], column(profile, 200, {599: 99.0}))
    assert late["distal_lumen_mm2"].tolist() == [7.6]
    assert set(lumen_only) == {
        "distal_lumen_mm2",
        "distal_lumen_mm",
        "proximal_lumen_mm2",
        "proximal_lumen_mm",
        "mla_mm2",
    }
    nothing = Window(0, {}, np.ones(1), np.ones(1), np.random.default_rng(0))
    assert _drawn(profile, got.landings, got.lesion, rows, nothing) == {}


def test_the_minimum_is_drawn_up_to_both_ends_of_the_lesion() -> None:
    profile = found()
    got = plan(profile)
    assert got.lesion is not None
    for first, last in ((FIRST, LAST + 1), (FIRST - 1, LAST)):
        lesion = replace(got.lesion, first_row=first, last_row=last)
        for row, expected in ((first - 1, 2.9), (first, 1.5), (last, 1.5), (last + 1, 2.9)):
            drawn = _drawn(profile, {}, lesion, np.arange(0), column(profile, 100, {row: 1.5}))
            assert drawn["mla_mm2"].tolist() == [expected]


def test_a_reference_is_never_below_nothing() -> None:
    """Taking the bias of the largest out of these draws would leave -2 in the first one."""
    profile = found()
    got = plan(profile)
    lumen = np.zeros((600, 3))
    lumen[230], lumen[231] = [0.0, 0.0, 6.0], [0.0, 6.0, 0.0]
    window = Window(0, {Structure.LUMEN: lumen}, np.ones(3), np.ones(3), np.random.default_rng(0))
    drawn = _drawn(profile, got.landings, None, np.arange(0), window)
    assert drawn["distal_lumen_mm2"].tolist() == [0.0, 4.0, 4.0]


def test_twelve_millimetres_beside_the_plan_and_twice_that_beside_the_map_are_smoothed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    class Watched(VesselDraws):
        def __init__(self, profile: Profile, shared: SharedUncertainty, *span: int, **options: object) -> None:
            asked.append((*span, options["structures"]))
            super().__init__(profile, shared, *span, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(planning, "VesselDraws", Watched)
    plan(found(), distal_mm=22.0)
    borders = (Structure.LUMEN, Structure.EEM)
    plan(found(position_mm=0.14 * np.arange(600)))  # 12 mm are 85.7 rows
    assert [span for *span, _ in asked[2:]] == [[249 - 86, 351 + 86], [250 - 172, 350 + 172]]
    assert asked[:2] == [(220 - 120, 351 + 120, borders), (250 - 240, 350 + 240, borders)]
