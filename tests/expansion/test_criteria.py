from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_rules import find_rule

from boreline.errors import InputRefused
from boreline.expansion.balloon_targets import read_balloon_targets
from boreline.expansion.criteria import load_criteria
from boreline.expansion.evaluate import Verdict, evaluate_rule
from boreline.expansion.expressions import ExpressionError, parse_condition
from boreline.expansion.inputs import INPUTS, Quantity, check_value
from boreline.expansion.mending import needed_msa_mm2, what_would_mend
from boreline.expansion.panel import panel_of_values, rules_as_json
from boreline.expansion.typed_values import read_values, typed_quantities
from boreline.model import CAUTION

EVERY_ID = {
    "abs-5.0",
    "abs-5.5",
    "abs-5.5-40",
    "abs-gen2",
    "abs-5.7",
    "dist-90-or-5",
    "edge-50",
    "edge-55",
    "edge-54.5",
    "diss-3",
    "all-three",
    "mean-80",
    "mean-90",
    "dist-90",
    "dist-100",
    "len-split",
    "deJ-area",
    "deJ-entry",
    "deJ-sym",
    "deJ-appo",
    "abs-9",
    "refvessel-55",
    "balloon-70",
    "balloon-80",
    "diss-none",
    "vessel-msa",
    "lm-2011",
    "lm-2011-whole",
    "lm-west",
    "lm-two",
    "lm-one",
    "lee-2023-set",
    "appo",
    "diss-raber",
    "diss-lumen",
}


def test_every_rule_is_there_once_with_a_source() -> None:
    rules = load_criteria()
    assert sorted(rule.id for rule in rules) == sorted(EVERY_ID)
    for rule in rules:
        assert rule.source
        assert rule.title
        if rule.from_memory:
            assert "from memory, verify in the paper" in rule.cited
    listing = rules_as_json()
    assert listing["caution"] == CAUTION
    assert {item["name"] for item in listing["inputs"]} == set(INPUTS)


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true') > 1",
        "msa_mm2.real > 1",
        "msa_mm2 > 1 > 0",
        "msa_mm2",  # a number is no yes/no: refused with the kinds, see below
        "(lambda: 1)() > 0",
        "msa_mm2 == 5",
        "msa_mm2 in (1, 2)",
        "2 * msa_mm2 in ('a',)",
        "msa_mm2 > max(*[1])",
        "msa_mm2 > True",
        "msa_mm2 >",
        "msa_mm2 > 1" + " " * 400,
        "max(msa_mm2, key=1) > 2",
    ],
)
def test_only_the_language_is_read(text: str) -> None:
    if text == "msa_mm2":
        assert parse_condition(text).comparator == "yes"
        return
    with pytest.raises(ExpressionError):
        parse_condition(text)


def test_expressions_keep_missing_numbers_missing() -> None:
    condition = parse_condition("min(proximal_lumen_mm2, distal_lumen_mm2) >= -1 + 2 ** 2 - max(1, 2) / 4")
    assert condition.truth({"proximal_lumen_mm2": np.nan, "distal_lumen_mm2": 9.0}) == (False, False)
    assert condition.truth({"proximal_lumen_mm2": 2.5, "distal_lumen_mm2": 9.0}) == (True, False)


OWN = """
[[rule]]
id = "own-6"
title = "six"
source = "own protocol"
condition = "msa_mm2 >= 6"
unit = "mm2"

[[rule]]
id = "own-both"
title = "both"
source = "own protocol"
all = ["own-6", "edge-50"]
"""


def test_a_laboratory_adds_its_own_rules(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN)
    rules = load_criteria(path)
    assert [rule.id for rule in rules[-2:]] == ["own-6", "own-both"]
    got = evaluate_rule(find_rule(rules, "own-both"), typed_quantities({"msa_mm2": 5.0}))
    assert got.outcome.verdict is Verdict.NOT_MET


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("msa_mm2 >= 6", "area >= 6", "'area' is no known input"),
        ("msa_mm2 >= 6", "dissection_depth >= 6", "wrong kind"),
        ("msa_mm2 >= 6", "msa_mm2", "wrong kind"),
        ("msa_mm2 >= 6", "dissection_depth in ('deep',)", "no value of"),
        ("own-6", "abs-5.0", "taken"),
        ('all = ["own-6", "edge-50"]', 'all = ["nowhere"]', "no rule that stands earlier"),
        ('all = ["own-6", "edge-50"]', "all = []", "not a criterion file"),
        ('title = "six"', 'titel = "six"', "not a criterion file"),
        ('unit = "mm2"', 'unit = "mm2"\nany = ["abs-5.0"]', "exactly one"),
        ('unit = "mm2"', 'unit = "mm2"\nthen = "abs-5.0"', "'then' and 'otherwise'"),
        ("[[rule]]", "[[rule", "no valid TOML"),
    ],
)
def test_bad_criterion_files_are_one_line(tmp_path: Path, old: str, new: str, word: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace(old, new))
    with pytest.raises(InputRefused, match=word) as refusal:
        load_criteria(path)
    assert "\n" not in str(refusal.value)
    with pytest.raises(InputRefused, match="cannot be read"):
        load_criteria(tmp_path / "absent.toml")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("msa = 5", "unknown key"),
        ("msa_mm2 = 0", "sensible range"),
        ("msa_mm2 = -3.0", "sensible range"),
        ("msa_mm2 = nan", "sensible range"),
        ("msa_mm2 = true", "no number"),
        ("msa_mm2 = 'large'", "no number"),
        ("balloon_diameter_mm = 0", "sensible range"),
        ("balloon_diameter_mm = 40", "sensible range"),
        ("msa_mm2_sd = 0.2", "without msa_mm2"),
        ("msa_mm2 = 5\nmsa_mm2_sd = -1", "no standard uncertainty"),
        ("left_main = 1", "neither true nor false"),
        ("left_main = true\nleft_main_sd = 0.1", "is no number"),
        ("dissection_depth = 'deep'", "not one of"),
        ("distal_edge_burden_pct = []", "empty list"),
        ("distal_edge_burden_pct = [40, 140]", "sensible range"),
        ("distal_lumen_mm2 = 9\ndistal_eem_mm2 = 8", "inside the EEM"),
        ("msa_min_diameter_mm = 4\nmsa_max_diameter_mm = 3", "cannot exceed"),
        ("dissection_depth = 'none'\ndissection_length_mm = 2", "has a length"),
        ("dissection_depth = 'medial'\ndissection_arc_deg = 0", "is 0"),
        ("", "no input"),
        ("msa_mm2 = ", "no valid TOML"),
    ],
)
def test_nonsense_values_are_one_line(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "values.toml"
    path.write_text(text)
    with pytest.raises(InputRefused, match=word) as refusal:
        read_values(path)
    assert "\n" not in str(refusal.value)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_values(tmp_path / "absent.toml")
    with pytest.raises(InputRefused, match="no such input"):
        check_value("width", 1.0)


def verdict(rule_id: str, **values: object) -> Verdict:
    return evaluate_rule(find_rule(load_criteria(), rule_id), typed_quantities(values)).outcome.verdict


def test_dissection_rules() -> None:
    assert verdict("diss-3", dissection_depth="medial", dissection_length_mm=3.0) is Verdict.MET
    assert verdict("diss-3", dissection_depth="medial", dissection_length_mm=3.1) is Verdict.NOT_MET
    assert verdict("diss-3", dissection_depth="haematoma") is Verdict.NOT_ASSESSABLE
    assert verdict("diss-3", dissection_length_mm=2.0) is Verdict.MET
    assert verdict("diss-none", dissection_length_mm=0) is Verdict.MET
    assert verdict("diss-none", dissection_length_mm=1) is Verdict.NOT_MET
    assert verdict("diss-raber", dissection_depth="intimal", dissection_side="distal") is Verdict.NOT_MET
    assert verdict("diss-lumen", dissection_depth="none") is Verdict.NOT_ASSESSABLE
    assert verdict("appo", malapposition_mm=0.4, malapposition_length_mm=1.1) is Verdict.NOT_MET
    assert verdict("appo", malapposition_mm=0.39) is Verdict.MET
    assert verdict("appo", malapposition_mm=0.0) is Verdict.MET


def test_the_set_with_and_without_left_main() -> None:
    clean = {"malapposition_mm": 0.0, "dissection_depth": "none", "msa_mm2": 6.0}
    assert verdict("lee-2023-set", **clean) is Verdict.NOT_ASSESSABLE
    assert verdict("lee-2023-set", **clean, left_main=False) is Verdict.MET
    assert verdict("lee-2023-set", **clean, left_main=True) is Verdict.NOT_ASSESSABLE
    assert verdict("lee-2023-set", **clean, left_main=True, left_main_distal_mm2=6.9) is Verdict.NOT_MET


def test_risk_sign_and_cut_offs_by_kind() -> None:
    assert verdict("abs-5.5-40", msa_mm2=7.0) is Verdict.NOT_ASSESSABLE
    assert verdict("abs-5.5-40", msa_mm2=5.0) is Verdict.MET  # the sign is present
    assert verdict("abs-gen2", msa_mm2=5.35) is Verdict.NOT_ASSESSABLE  # depends on the drug
    assert verdict("abs-gen2", msa_mm2=5.2) is Verdict.NOT_MET


def test_missing_inputs_and_probabilities() -> None:
    rule = find_rule(load_criteria(), "dist-90-or-5")
    sure = evaluate_rule(rule, typed_quantities({"msa_mm2": 5.9, "msa_mm2_sd": 0.25})).outcome
    assert (sure.verdict, sure.probability) == (Verdict.MET, None)  # at least 0.95, the rest is open
    open_ = evaluate_rule(rule, typed_quantities({"msa_mm2": 5.0, "msa_mm2_sd": 0.25})).outcome
    assert open_.verdict is Verdict.NOT_ASSESSABLE
    nothing = evaluate_rule(rule, typed_quantities({"stented_length_mm": 20.0})).outcome
    assert nothing.verdict is Verdict.NOT_ASSESSABLE
    ratio = find_rule(load_criteria(), "dist-90")
    blind = evaluate_rule(ratio, typed_quantities({"msa_mm2": 5.0, "msa_mm2_sd": 0.25})).outcome
    assert blind.verdict is Verdict.NOT_ASSESSABLE
    far = evaluate_rule(ratio, typed_quantities({"msa_mm2": 5.0, "msa_mm2_sd": 0.2, "distal_lumen_mm2": 9.0})).outcome
    assert far.verdict is Verdict.NOT_MET
    assert far.probability == 0.0


@settings(deadline=None, max_examples=40)
@given(st.floats(3, 12), st.floats(4, 14), st.floats(4, 14), st.floats(0.05, 0.6))
def test_probability_agrees_with_the_verdict(msa: float, proximal: float, distal: float, sd: float) -> None:
    values = {"msa_mm2": msa, "proximal_lumen_mm2": proximal, "distal_lumen_mm2": distal, "msa_mm2_sd": sd}
    for rule_id in ("mean-80", "dist-100", "deJ-area", "dist-90-or-5"):
        outcome = evaluate_rule(find_rule(load_criteria(), rule_id), typed_quantities(values, n_draws=400)).outcome
        assert outcome.probability is not None
        expected = (
            Verdict.MET
            if outcome.probability >= 0.95
            else Verdict.NOT_MET
            if outcome.probability <= 0.05
            else Verdict.TOO_CLOSE
        )
        assert outcome.verdict is expected


@settings(deadline=None, max_examples=15)
@given(st.floats(5, 14), st.floats(5, 14))
def test_needed_area_is_where_the_verdict_turns(proximal: float, distal: float) -> None:
    quantities = typed_quantities({"proximal_lumen_mm2": proximal, "distal_lumen_mm2": distal, "msa_mm2": 4.0})
    rule = find_rule(load_criteria(), "mean-90")
    needed = needed_msa_mm2(rule, quantities)
    assert needed == pytest.approx(0.9 * (proximal + distal) / 2, abs=1e-5)
    assert needed_msa_mm2(find_rule(load_criteria(), "abs-5.5-40"), quantities) is None  # length is not known
    with pytest.raises(ValueError, match="does not depend"):
        needed_msa_mm2(find_rule(load_criteria(), "edge-50"), quantities)


def test_what_would_mend_leaves_balloon_rules_out_and_states_two_models() -> None:
    """Of 7.3 mm2 after 3.5 mm: mean-90 needs 7.83 mm2 = 3.16 mm at full nominal area; here 75.9 % was reached."""
    values = {"msa_mm2": 7.3, "proximal_lumen_mm2": 9.8, "distal_lumen_mm2": 7.6, "balloon_diameter_mm": 3.5}
    quantities = typed_quantities(values)
    results = [evaluate_rule(rule, quantities) for rule in load_criteria()]
    got = {item["id"]: item for item in what_would_mend(results, quantities, eem_diameter_mm=4.4)}
    assert "balloon-80" not in got
    assert got["mean-90"]["needed_msa_mm2"] == pytest.approx(7.83, abs=1e-4)
    assert got["mean-90"]["balloon_full_nominal_mm"] == pytest.approx(3.16, abs=5e-3)
    fraction = 7.3 / (np.pi * 1.75**2)
    assert got["mean-90"]["achieved_fraction"] == pytest.approx(fraction)
    assert got["mean-90"]["balloon_same_fraction_mm"] == pytest.approx(2 * np.sqrt(7.83 / fraction / np.pi), abs=1e-3)
    assert got["mean-90"]["headroom_full_nominal_mm"] == pytest.approx(4.4 - 3.158, abs=5e-3)
    assert "rupture" in got["mean-90"]["risk"]
    assert what_would_mend(results, {}, eem_diameter_mm=4.4) == []
    alone = typed_quantities({"msa_mm2": 4.0})
    without = what_would_mend([evaluate_rule(r, alone) for r in load_criteria()], alone, eem_diameter_mm=np.nan)
    assert {item["balloon_same_fraction_mm"] for item in without} == {None}
    assert {item["headroom_full_nominal_mm"] for item in without} == {None}


def test_own_balloon_table(tmp_path: Path) -> None:
    path = tmp_path / "balloons.csv"
    path.write_text("balloon_diameter_mm,target_area_mm2\n3.0,5.2\n3.5,7.0\n")
    values = tmp_path / "values.toml"
    values.write_text("msa_mm2 = 7.3\nballoon_diameter_mm = 3.5\n")
    panel = {r.rule.id: r.outcome for r in panel_of_values(values, balloon_targets=path)}
    assert panel["balloon-table"].verdict is Verdict.MET
    assert panel["balloon-table"].threshold == 7.0
    values.write_text("msa_mm2 = 7.3\nballoon_diameter_mm = 3.25\n")
    panel = {r.rule.id: r.outcome for r in panel_of_values(values, balloon_targets=path)}
    assert panel["balloon-table"].verdict is Verdict.NOT_ASSESSABLE  # never interpolated


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "empty"),
        ("balloon_diameter_mm,target_area_mm2\n", "empty"),
        ("balloon_diameter_mm\n3\n", "no pair of numbers"),
        ("balloon_diameter_mm,target_area_mm2\n3,x\n", "no pair of numbers"),
        ("balloon_diameter_mm,target_area_mm2\n40,7\n", "sensible range"),
        ("balloon_diameter_mm,target_area_mm2\n3,7\n3,8\n", "repeats"),
    ],
)
def test_bad_balloon_tables_are_refused(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "balloons.csv"
    path.write_text(text)
    with pytest.raises(InputRefused, match=word):
        read_balloon_targets(path)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_balloon_targets(tmp_path / "absent.csv")


def test_a_quantity_knows_its_spread() -> None:
    assert Quantity(3.0).sd is None
    assert Quantity(3.0, np.array([2.0, 4.0])).sd == 1.0
