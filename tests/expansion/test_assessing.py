import json

import numpy as np
import pytest
from vessels import stented, table

from boreline.errors import InputRefused
from boreline.expansion.alignment import align_by_fiducials, align_dynamically, compare
from boreline.expansion.assessing import assess_stent, stated_inputs
from boreline.expansion.criteria import load_criteria
from boreline.expansion.stent import detected_stent, malapposed_length_mm, stated_stent
from boreline.flags import Flag
from boreline.model import CAUTION, Vessel
from boreline.profile.record import profile_from_table
from boreline.profile.uncertainty import SharedUncertainty

SHARED = SharedUncertainty(0.02, 0.05, 0.3, 2.0, 1.0)


def assess(readings, rows=None, **options):
    profile = profile_from_table(readings)
    rows = rows or detected_stent(profile)
    return assess_stent(profile, SHARED, load_criteria(), rows, n_draws=400, **options), profile


def rules_of(assessment) -> dict[str, str]:
    return {result.rule.id: result.outcome.verdict.value for result in assessment.rules}


def test_a_noise_free_stent_is_read_as_it_is() -> None:
    got, profile = assess(stented(area_mm2=7.0), balloon_mm=3.25)
    assert profile.position_mm[got.stent.first_row] == pytest.approx(20.0)
    assert profile.position_mm[got.stent.last_row] == pytest.approx(40.0)
    assert got.stent.msa_read_mm2 == pytest.approx(7.0)
    read = got.stent.read
    assert read["stented_length_mm"].value == pytest.approx(20.0)
    assert read["proximal_lumen_mm2"].value == pytest.approx(8 + 0.02 * 45)
    assert read["distal_lumen_mm2"].value == pytest.approx(8 + 0.02 * 19.9, abs=3e-3)
    assert got.stent.references is not None
    expected = 100 * (1 - (8 + 0.02 * 45) / (14 + 0.03 * 45))
    assert read["proximal_edge_burden_pct"].value == pytest.approx(expected, abs=0.1)
    assert rules_of(got)["balloon-70"] == "met"


def test_the_noisy_minimum_reads_low_and_the_corrected_one_does_not() -> None:
    got, profile = assess(stented(area_mm2=5.8, noise=1.0))
    corrected = got.stent.corrected["msa_mm2"]
    assert got.stent.msa_read_mm2 < 5.3
    assert corrected.value == pytest.approx(5.8, abs=0.2)
    document = got.as_json(profile)
    assert document["msa_read_mm2"] == got.stent.msa_read_mm2
    assert document["msa_corrected_mm2"] == pytest.approx(corrected.value)
    by_id = {rule["id"]: rule for rule in document["rules"]}
    assert by_id["abs-5.5"]["verdict"] == "not_met"
    assert by_id["abs-5.5"]["corrected"]["verdict"] == "too_close_to_call"
    assert by_id["abs-5.5"]["verdicts_differ"] is True


def test_the_document_is_plain_json_with_the_caution() -> None:
    got, profile = assess(stented(noise=1.0), balloon_mm=3.0, vessel=Vessel.LAD)
    document = got.as_json(profile)
    json.dumps(document, allow_nan=False)
    assert document["caution"] == CAUTION
    assert [target["fraction"] for target in document["targets"]] == [0.7, 0.8]
    assert document["targets"][0]["target_mm2"] == pytest.approx(4.948, abs=1e-3)
    for rule in document["rules"]:
        assert {
            "id",
            "verdict",
            "value",
            "threshold",
            "margin",
            "probability",
            "inputs",
            "source",
            "parts",
        } <= rule.keys()


def test_no_distal_reference_leaves_its_rules_open() -> None:
    vessel = stented(from_mm=20.0)
    vessel.loc[vessel.position_mm.between(14.5, 19.95), "flags"] = Flag.BRANCH.value
    got = rules_of(assess(vessel)[0])
    for rule_id in ("dist-90", "dist-100", "mean-80", "deJ-area", "refvessel-55"):
        assert got[rule_id] == "not_assessable"
    assert got["abs-5.0"] == "met"
    assert got["edge-50"] == "not_assessable"


def test_stated_dissection_and_left_main() -> None:
    given = stated_inputs({"dissection_depth": "medial", "dissection_length_mm": 4.0})
    got = rules_of(assess(stented(), stated=given)[0])
    assert got["diss-3"] == "not_met"
    assert got["all-three"] == "not_met"
    left_main = assess(stented(), vessel=Vessel.LEFT_MAIN)[0]
    assert {r.rule.id: r.inputs for r in left_main.rules}["lee-2023-set"]["left_main"] is True


def test_stent_detection_takes_the_longest_stretch() -> None:
    vessel = stented(from_mm=20.0, to_mm=40.0)
    vessel.loc[vessel.position_mm.between(30.0, 30.5), "stent_area_mm2"] = np.nan  # a gap within the stent
    vessel.loc[vessel.position_mm.between(50.0, 53.0), "stent_area_mm2"] = 6.0
    profile = profile_from_table(vessel)
    first, last = detected_stent(profile)
    assert profile.position_mm[[first, last]] == pytest.approx([20.0, 40.0])


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "word"), [(40.0, 20.0, "distal"), (2.0, 10.0, "no stent area"), (20.0, 90.0, "outside")]
)
def test_nonsense_stents_are_refused(from_mm: float, to_mm: float, word: str) -> None:
    with pytest.raises(InputRefused, match=word):
        stated_stent(profile_from_table(stented()), from_mm, to_mm)


def test_a_run_without_a_stent_is_refused() -> None:
    with pytest.raises(InputRefused, match="no stent was found"):
        detected_stent(profile_from_table(table()))


def test_malapposition_over_a_length() -> None:
    distance = np.array([0, 0, 0.2, 0.5, 0.3, 0, 0.1, 0])
    assert malapposed_length_mm(distance, 0.1) == pytest.approx(0.3)
    vessel = stented()
    vessel.loc[vessel.position_mm.between(25.0, 26.5), "malapposition_mm"] = 0.5
    assert rules_of(assess(vessel)[0])["deJ-appo"] == "met"  # no strut is called malapposed
    vessel.loc[vessel.position_mm.between(25.0, 26.5), "flags"] = "stent;malapposed"
    assert rules_of(assess(vessel)[0])["appo"] == "not_met"
    vessel["flags"] = ""  # a profile from elsewhere: distances count as they are
    got = rules_of(assess(vessel)[0])
    assert got["appo"] == "not_met"
    assert got["deJ-appo"] == "not_met"


# --------------------------------------------------------------------------------------- before and after


def shifted(offset_mm: float, **options: float):
    """The vessel seen by a run that starts `offset_mm` later."""
    vessel = table(taper=0.05, **options)
    wave = 1.5 * np.sin(vessel.position_mm / 4) + np.sin(vessel.position_mm / 1.7)
    vessel["eem_area_mm2"] += wave
    late = vessel[vessel.position_mm >= offset_mm].copy()
    late["position_mm"] = np.round(late["position_mm"] - offset_mm, 6)
    return profile_from_table(late.reset_index(drop=True))


def test_dynamic_alignment_finds_the_shift() -> None:
    before, after = shifted(0.0), shifted(5.0, lesion_depth=0.0)
    got = align_dynamically(before, after)
    assert np.median(np.abs(got.before_mm - got.after_mm - 5.0)) < 0.5
    assert got.residual_mm2 < 0.3
    document = compare(before, after, got)
    json.dumps(document, allow_nan=False)
    gain = np.array(document["lumen_gain_mm2"], dtype=float)
    at = int(np.argmin(np.abs(np.array(document["position_before_mm"]) - 30.0)))
    assert gain[at] == pytest.approx(0.7 * (8 + 0.05 * 30), abs=0.6)


def test_fiducials_align_piecewise_and_report_what_they_miss() -> None:
    before, after = shifted(0.0), shifted(5.0)
    exact = align_by_fiducials(before, after, [(10.0, 5.0), (30.0, 25.0), (50.0, 45.0)])
    assert exact.before_mm - exact.after_mm == pytest.approx(np.full(len(exact.after_mm), 5.0))
    assert exact.residual_mm == pytest.approx(0.0, abs=1e-9)
    crooked = align_by_fiducials(before, after, [(10.0, 5.0), (31.0, 25.0), (50.0, 45.0)])
    assert crooked.residual_mm > 0.5
    assert np.isnan(align_by_fiducials(before, after, [(10.0, 5.0)]).residual_mm)
    with pytest.raises(InputRefused, match="at least one"):
        align_by_fiducials(before, after, [])
    with pytest.raises(InputRefused, match="same order"):
        align_by_fiducials(before, after, [(10.0, 25.0), (30.0, 5.0)])


def test_too_little_to_align_is_refused() -> None:
    blind = table().assign(eem_area_mm2=np.nan, lumen_area_mm2=np.nan)
    with pytest.raises(InputRefused, match="too little"):
        align_dynamically(profile_from_table(blind), profile_from_table(table()))
