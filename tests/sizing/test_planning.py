import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vessels import table

from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import CAUTION
from boreline.profile.record import profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty
from boreline.sizing.devices import Device, Rounding, choose_lengths, common_sizes, read_devices, round_to_list
from boreline.sizing.landing_map import EdgeLimit
from boreline.sizing.planning import make_plan

SHARED = SharedUncertainty(0.02, 0.05, 0.3, 2.0, 1.0)
LIMITS = (EdgeLimit("edge-50", 50.0), EdgeLimit("edge-54.5", 54.5, or_equal=True))


def plan(vessel, **options):
    return make_plan(profile_from_table(vessel), SHARED, n_draws=400, edge_limits=LIMITS, **options)


def test_proposed_landings_cover_the_lesion_and_no_more_than_needed() -> None:
    got = plan(table())
    assert got.lesion is not None
    for side, edge in ((Side.DISTAL, got.lesion.first_row), (Side.PROXIMAL, got.lesion.last_row)):
        landing = got.landings[side]
        assert landing.site.plaque_burden_pct < 50
        assert abs(landing.site.row - edge) <= 2
        assert landing.reference is not None
        assert landing.reference.lumen_area_mm2 >= landing.site.lumen_area_mm2
    assert got.length is not None
    assert got.length.value == pytest.approx(
        got.landings[Side.PROXIMAL].site.position_mm - got.landings[Side.DISTAL].site.position_mm
    )
    assert got.length.sd == pytest.approx(np.hypot(0.05 * got.length.value, 0.3 * np.sqrt(2)), rel=0.15)


def test_landings_avoid_branches_and_calcium_by_a_millimetre() -> None:
    free = plan(table())
    edge = free.landings[Side.PROXIMAL].site.position_mm
    vessel = table()
    vessel.loc[vessel.position_mm.between(edge + 0.5, edge + 1.5), "flags"] = Flag.BRANCH.value
    moved = plan(vessel).landings[Side.PROXIMAL].site.position_mm
    assert moved >= edge + 2.4
    hard = table()
    hard.loc[hard.position_mm > edge - 1, "calcium_arc_deg"] = 200.0
    assert plan(hard).landings[Side.PROXIMAL].remarks == ("calcium or a branch within 1 mm",)


def test_high_burden_everywhere_takes_the_least_and_says_so() -> None:
    got = plan(table(eem_mm2=22.0, taper=0.0, centre_mm=30.0))
    # Everything is severe: the lesion fills the run, so there is nothing left to land on.
    assert got.landings == {}
    assert got.length is None
    assert any("no distal landing" in note for note in got.notes)
    vessel = table(taper=0.0)
    vessel.loc[vessel.position_mm > 34, "eem_area_mm2"] = np.nan
    hidden = plan(vessel)
    assert "EEM not measurable here: plaque burden not known" in hidden.landings[Side.PROXIMAL].remarks
    proximal = {m.method.id: m for m in hidden.methods}["proximal-eem"]
    assert proximal.rounded.diameter_mm is None


def test_the_operator_moves_the_landings() -> None:
    got = plan(table(), distal_mm=15.0, proximal_mm=44.96)
    assert got.landings[Side.DISTAL].chosen_by_operator
    assert got.length is not None
    assert got.length.value == pytest.approx(30.0)
    assert got.choice is not None
    assert got.choice.lengths_mm == (30.0,)  # equal is enough


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"distal_mm": 45.0, "proximal_mm": 15.0}, "must lie below"),
        ({"distal_mm": 30.0, "proximal_mm": 45.0}, "inside the stenosis"),
        ({"distal_mm": -3.0, "proximal_mm": 45.0}, "outside the run"),
        ({"distal_mm": 55.0}, "does not lie distal"),
    ],
)
def test_nonsense_landings_are_refused(options: dict[str, float], word: str) -> None:
    with pytest.raises(InputRefused, match=word):
        plan(table(), **options)


def test_no_lesion_needs_both_landings() -> None:
    healthy = table(lesion_depth=0.0, eem_mm2=11.0)
    with pytest.raises(InputRefused, match="no lesion"):
        plan(healthy)
    assert plan(healthy, distal_mm=10.0, proximal_mm=30.0).lesion is None
    holed = healthy.assign(lumen_area_mm2=healthy.lumen_area_mm2.where(healthy.position_mm < 29))
    with pytest.raises(InputRefused, match="nothing was measured"):
        plan(holed, distal_mm=10.0, proximal_mm=30.0)


def test_the_document_is_plain_json_with_the_caution() -> None:
    vessel = table(noise=1.0)
    document = plan(vessel).as_json(profile_from_table(vessel))
    text = json.dumps(document, allow_nan=False)
    assert document["caution"] == CAUTION
    for key in ("landing_sites", "references", "length_mm", "length_sd_mm", "methods", "devices", "notes"):
        assert key in document
    for method in document["methods"]:
        assert {"id", "diameter_mm", "measured_mm", "rounding", "device", "source"} <= method.keys()
    assert "NaN" not in text
    lesion = document["lesion"]
    assert lesion["mla_read_mm2"] < lesion["mla_corrected_mm2"]


def test_map_agrees_with_the_plan_and_longer_pairs_are_longer() -> None:
    got = plan(table()).map
    assert got is not None
    assert got.length_mm.shape == (len(got.distal_mm), len(got.proximal_mm))
    assert np.all(np.diff(got.length_mm, axis=1) > 0)
    assert np.all(got.largest_mm >= got.smallest_mm)
    below, at_most = got.probability["edge-50"], got.probability["edge-54.5"]
    assert np.all((below >= 0) & (below <= at_most) & (at_most <= 1))
    assert np.all(got.device_length_mm >= got.length_mm - 1e-6)


def test_tapered_vessel_and_calcium_are_noted() -> None:
    vessel = table(taper=0.15)
    vessel.loc[vessel.position_mm.between(26, 33), "calcium_arc_deg"] = 360.0
    notes = " ".join(plan(vessel, distal_mm=5.0, proximal_mm=54.0).notes)
    assert "one diameter cannot serve both" in notes
    assert "severe calcium" in notes
    assert "risks rupture" in notes


def test_without_uncertainties_there_are_values_and_no_intervals() -> None:
    vessel = table().assign(lumen_area_sd_mm2=np.nan, eem_area_sd_mm2=np.nan)
    got = make_plan(profile_from_table(vessel), SharedUncertainty(), n_draws=50)
    assert got.methods[0].measured.sd is None
    assert got.methods[0].rounded.diameter_mm is not None
    assert any("states no uncertainty" in note for note in got.notes)
    assert any("because not known" in note for note in got.notes)


# ------------------------------------------------------------------------------------------------ devices


@given(
    st.floats(1.5, 6.0), st.sets(st.sampled_from([k / 4 for k in range(8, 21)]), min_size=1), st.sampled_from(Rounding)
)
def test_rounding_picks_from_the_list_and_on_the_right_side(
    measured_mm: float, sizes: set[float], rounding: Rounding
) -> None:
    got = round_to_list(measured_mm, sizes, rounding).diameter_mm
    if got is None:
        assert rounding is not Rounding.NEAREST
        return
    assert got in sizes
    if rounding is Rounding.DOWN:
        assert got <= measured_mm + 1e-6
        assert not any(got < size <= measured_mm - 1e-6 for size in sizes)
    elif rounding is Rounding.UP:
        assert -1e-6 <= got - measured_mm <= 0.25 + 2e-6
    else:
        assert abs(got - measured_mm) <= min(abs(size - measured_mm) for size in sizes) + 2e-6


@given(st.floats(5, 120), st.sets(st.sampled_from([8.0, 12.0, 18.0, 24.0, 38.0]), min_size=1))
def test_lengths_cover_with_the_least_excess(length_mm: float, sizes: set[float]) -> None:
    choice = choose_lengths(length_mm, sizes)
    longest = max(sizes)
    if length_mm <= longest:
        assert choice.lengths_mm == (min(size for size in sizes if size >= length_mm - 1e-6),)
    elif 2 * longest - 2.0 >= length_mm:
        assert sum(choice.lengths_mm) - choice.overlap_mm >= length_mm - 1e-6
    else:
        assert choice.lengths_mm == ()


def test_device_list(tmp_path) -> None:
    path = tmp_path / "devices.csv"
    path.write_text("diameter_mm,length_mm,post_dilatation_limit_mm\n3.0,18,3.75\n2.5,12,\n3.0,18,3.75\n")
    assert read_devices(path) == (Device(2.5, 12.0), Device(3.0, 18.0, 3.75))
    assert len(common_sizes()) > 50


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "diameter_mm"),
        ("diameter_mm\n3\n", "length_mm"),
        ("diameter_mm,length_mm\n", "empty"),
        ("diameter_mm,length_mm\n0.118,18\n", "no size in millimetres"),
        ("diameter_mm,length_mm\n3.0,eighteen\n", "no size in millimetres"),
        ("diameter_mm,length_mm,post_dilatation_limit_mm\n3.0,18,2.5\n", "below the nominal"),
    ],
)
def test_bad_device_lists_are_refused(tmp_path, text: str, word: str) -> None:
    path = tmp_path / "devices.csv"
    path.write_text(text)
    with pytest.raises(InputRefused, match=word):
        read_devices(path)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_devices(tmp_path / "absent.csv")
