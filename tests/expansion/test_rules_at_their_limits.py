"""The machinery of the criteria at its limits: expressions, verdicts from draws, compounds."""

import math
from pathlib import Path

import numpy as np
import pytest
from own_rules import find_rule, outcome, rules_in

from boreline.expansion.criteria import Combination, Compound, Rule, load_criteria
from boreline.expansion.evaluate import RuleResult, Verdict, evaluate_rule
from boreline.expansion.expressions import ExpressionError, parse_condition
from boreline.expansion.inputs import Quantity
from boreline.expansion.panel import panel_as_json, rules_as_json
from boreline.model import CAUTION

MET, NOT_MET, CLOSE, UNKNOWN = Verdict.MET, Verdict.NOT_MET, Verdict.TOO_CLOSE, Verdict.NOT_ASSESSABLE


# ---------------------------------------------------------------------------------------------- expressions


@pytest.mark.parametrize(
    ("text", "left", "right"),
    [
        ("msa_mm2 > 2 + 3 * 4 - 6 / 3", 5.0, 12.0),
        ("msa_mm2 ** 2 / 2 > 2 ** 3", 12.5, 8.0),
        ("-msa_mm2 + 1 > -(2 - 5)", -4.0, 3.0),
        ("2 * pi > min(msa_mm2, distal_lumen_mm2, 7)", 2 * math.pi, 5.0),
        ("mean(msa_mm2, distal_lumen_mm2, 4) > max(1, msa_mm2, 3)", 17 / 3, 5.0),
        ("(msa_mm2 - 1) * (distal_lumen_mm2 + 1) > 0.5", 36.0, 0.5),
        ("mean(msa_mm2) > max(2)", 5.0, 2.0),
    ],
)
def test_arithmetic(text: str, left: float, right: float) -> None:
    condition = parse_condition(text)
    assert condition.sides({"msa_mm2": 5.0, "distal_lumen_mm2": 8.0}) == pytest.approx((left, right))
    assert condition.text == text


def test_names_come_once_in_the_order_of_the_text() -> None:
    condition = parse_condition("distal_lumen_mm2 * pi > msa_mm2 + distal_lumen_mm2")
    assert condition.names == ("distal_lumen_mm2", "msa_mm2")
    assert condition.left.names == ("distal_lumen_mm2",)
    assert condition.right is not None
    assert condition.right.text == "msa_mm2 + distal_lumen_mm2"


@pytest.mark.parametrize(("sign", "at"), [(">", False), (">=", True), ("<", False), ("<=", True)])
def test_comparators_on_either_side_of_equality(sign: str, at: bool) -> None:
    condition = parse_condition(f"msa_mm2 {sign} 10")
    above = sign.startswith(">")
    for value, expected in (
        (10.0, at),
        (10.0 * (1 + 9e-13), at),  # equal but for binary rounding
        (10.0 * (1 - 9e-13), at),
        (10.0 + 3e-11, above),
        (10.0 - 3e-11, not above),
    ):
        assert condition.truth({"msa_mm2": value}) == (expected, not expected), value
    for value in (math.nan, math.inf):
        assert condition.truth({"msa_mm2": value}) == (False, False)
    yes, no = condition.truth({"msa_mm2": np.array([9.0, 10.0, 11.0, np.nan])})
    assert yes.tolist() == [not above, at, above, False]
    assert no.tolist() == [above, not at, not above, False]


def test_equality_is_relative_to_the_larger_side() -> None:
    tiny = parse_condition("msa_mm2 >= distal_lumen_mm2")
    assert tiny.truth({"msa_mm2": 1e-13, "distal_lumen_mm2": 2e-13}) == (False, True)
    assert tiny.truth({"msa_mm2": -1e13, "distal_lumen_mm2": -1e13 + 1}) == (True, False)
    assert tiny.truth({"msa_mm2": 0.0, "distal_lumen_mm2": 0.0}) == (True, False)


def test_a_division_by_nothing_is_not_known() -> None:
    condition = parse_condition("msa_mm2 / distal_lumen_mm2 > 1")
    assert condition.truth({"msa_mm2": 5.0, "distal_lumen_mm2": np.float64(0)}) == (False, False)


def test_words_and_yes_or_no() -> None:
    words = parse_condition("dissection_depth in ('none', 'intimal')")
    assert words.words == ("none", "intimal")
    assert words.truth({"dissection_depth": "intimal"}) == (True, False)
    assert words.truth({"dissection_depth": "medial"}) == (False, True)
    assert words.truth({"dissection_depth": math.nan}) == (False, False)
    assert words.sides({"dissection_depth": "medial"})[0] == "medial"
    assert math.isnan(words.sides({"dissection_depth": "medial"})[1])
    plain = parse_condition("left_main")
    for value in (True, False):
        assert plain.truth({"left_main": value}) == (value, not value)
    assert plain.truth({"left_main": math.nan}) == (False, False)
    assert parse_condition("dissection_depth in ['medial']").words == ("medial",)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("dissection_depth in 'none'", "needs a list of words"),
        ("dissection_depth in ()", "needs a list of words"),
        ("dissection_depth in ('none', 1)", "needs a list of words"),
        ("dissection_depth in ('none', msa_mm2)", "needs a list of words"),
        ("dissection_depth in {'none'}", "needs a list of words"),
        ("1 in ('none',)", "needs the name of an input"),
        ("msa_mm2 != 5", "compare with one of"),
        ("msa_mm2 > 1 > 2", "not one comparison"),
        ("msa_mm2 + 1", "not one comparison"),
        ("msa_mm2 > 1 % 2", "not part of the expression language"),
        ("msa_mm2 > +1", "not part of the expression language"),
        ("(not msa_mm2) > 1", "not part of the expression language"),
        ("msa_mm2 > min()", "not part of the expression language"),
        ("msa_mm2 > sum(1, 2)", "not part of the expression language"),
        ("msa_mm2 > min(1, 'a')", "not part of the expression language"),
        ("msa_mm2 > min(1, key=2)", "not part of the expression language"),
        ("'a' + msa_mm2 > 1", "not part of the expression language"),
        ("msa_mm2 > (", "cannot be read"),
        ("msa_mm2 > 1\x00", "cannot be read"),
    ],
)
def test_why_text_is_not_read(text: str, reason: str) -> None:
    with pytest.raises(ExpressionError, match=reason):
        parse_condition(text)


def test_the_longest_text() -> None:
    text = "msa_mm2 > " + "1" * 290
    assert parse_condition(text).comparator == ">"
    with pytest.raises(ExpressionError, match="longer than 300 characters"):
        parse_condition(text + "1")


# ---------------------------------------------------------------------------------- verdicts from draws


def drawn(yes: int, no: int, missing: int) -> Quantity:
    """A stent area of which so many draws are above 5.5, below, or not known."""
    return Quantity(6.0, np.repeat([6.0, 5.0, np.nan], [yes, no, missing]))


@pytest.mark.parametrize(
    ("shares", "verdict", "probability"),
    [
        ((95, 5, 0), MET, 0.95),
        ((94, 6, 0), CLOSE, 0.94),
        ((6, 94, 0), CLOSE, 0.06),
        ((5, 95, 0), NOT_MET, 0.05),
        ((100, 0, 0), MET, 1.0),
        ((0, 100, 0), NOT_MET, 0.0),
        ((50, 50, 0), CLOSE, 0.5),
        # Draws without an answer: the rest decides only where it is enough, and leaves the probability open.
        ((95, 0, 5), MET, None),
        ((0, 95, 5), NOT_MET, None),
        ((94, 0, 6), UNKNOWN, None),
        ((0, 94, 6), UNKNOWN, None),
        ((50, 40, 10), CLOSE, None),
        ((6, 6, 88), CLOSE, None),
        ((5, 6, 89), UNKNOWN, None),
        ((6, 5, 89), UNKNOWN, None),
        ((0, 0, 100), UNKNOWN, None),
    ],
)
def test_shares_of_draws_decide(shares: tuple[int, int, int], verdict: Verdict, probability: float | None) -> None:
    got = outcome(find_rule(load_criteria(), "abs-5.5"), msa_mm2=drawn(*shares))
    assert got.verdict is verdict
    assert got.probability == (None if probability is None else pytest.approx(probability))
    assert (got.value, got.threshold, got.margin, got.unit) == (6.0, 5.5, 0.5, "mm2")


def test_draws_of_an_input_that_a_rule_does_not_use_leave_it_sure() -> None:
    spread = Quantity(9.0, np.array([1.0, 20.0]))
    got = outcome(find_rule(load_criteria(), "abs-5.5"), msa_mm2=5.6, distal_lumen_mm2=spread)
    assert (got.verdict, got.probability) == (MET, None)


# ------------------------------------------------------------------------------------------------ compounds


THREE = """
[[rule]]
id = "a"
condition = "msa_mm2 > 5"
unit = "mm2"

[[rule]]
id = "b"
condition = "distal_lumen_mm2 < 8"

[[rule]]
id = "c"
{form} = ["a", "b", {{ id = "d", condition = "stented_length_mm >= 10", unit = "mm" }}]

[[rule]]
id = "e"
{form} = ["c", "a"]
"""
VALUES = {True: {"a": 6.0, "b": 7.0, "d": 12.0}, False: {"a": 4.0, "b": 9.0, "d": 8.0}}
NAMES = {"a": "msa_mm2", "b": "distal_lumen_mm2", "d": "stented_length_mm"}
Y, N, Q = True, False, None


@pytest.mark.parametrize(
    ("answers", "every", "some", "agree"),
    [
        ((Y, Y, Y), MET, MET, MET),
        ((N, N, N), NOT_MET, NOT_MET, NOT_MET),
        ((Y, Y, N), NOT_MET, MET, UNKNOWN),
        ((Y, N, Y), NOT_MET, MET, UNKNOWN),
        ((N, Y, Y), NOT_MET, MET, UNKNOWN),
        ((N, N, Y), NOT_MET, MET, UNKNOWN),
        ((Q, Y, Y), UNKNOWN, MET, UNKNOWN),
        ((Q, N, Y), NOT_MET, MET, UNKNOWN),
        ((N, Q, N), NOT_MET, UNKNOWN, UNKNOWN),
        ((Q, Q, N), NOT_MET, UNKNOWN, UNKNOWN),
        ((Q, Q, Y), UNKNOWN, MET, UNKNOWN),
        ((Q, Q, Q), UNKNOWN, UNKNOWN, UNKNOWN),
    ],
)
def test_three_valued_logic(
    tmp_path: Path, answers: tuple[bool | None, ...], every: Verdict, some: Verdict, agree: Verdict
) -> None:
    values = {
        NAMES[part]: VALUES[answer][part] for part, answer in zip("abd", answers, strict=True) if answer is not None
    }
    for form, expected in (("all", every), ("any", some), ("agree", agree)):
        rule = find_rule(rules_in(tmp_path, THREE.format(form=form)), "c")
        got = evaluate_rule(rule, {name: Quantity(value) for name, value in values.items()})
        assert got.outcome.verdict is expected, form
        assert set(got.missing) == {NAMES[part] for part, answer in zip("abd", answers, strict=True) if answer is None}


def test_compounds_in_words(tmp_path: Path) -> None:
    def statements(form: str) -> list[str]:
        rules = rules_in(tmp_path, THREE.format(form=form))
        assert isinstance(rules[2].logic, Compound)
        assert rules[2].names == ("msa_mm2", "distal_lumen_mm2", "stented_length_mm")
        return [rule.logic.statement for rule in rules[2:]]

    inner = ["msa_mm2 > 5", "distal_lumen_mm2 < 8", "stented_length_mm >= 10"]
    assert statements("all") == [" and ".join(inner), f"({' and '.join(inner)}) and msa_mm2 > 5"]
    assert statements("any") == [" or ".join(inner), f"({' or '.join(inner)}) or msa_mm2 > 5"]
    kinds = f"by kind of stent: a: {inner[0]}; b: {inner[1]}; d: {inner[2]}"
    assert statements("agree") == [kinds, f"by kind of stent: c: ({kinds}); a: msa_mm2 > 5"]


BRANCH = """
[[rule]]
id = "branch"
when = "stented_length_mm >= 28"
then = { id = "long", condition = "msa_mm2 > 7", unit = "mm2" }
otherwise = { id = "short", condition = "msa_mm2 > 5", unit = "mm2" }
"""


@pytest.mark.parametrize(
    ("length_mm", "area_mm2", "verdict", "threshold"),
    [
        (28.0, 8.0, MET, 7.0),
        (28.0, 6.0, NOT_MET, 7.0),
        (27.9, 6.0, MET, 5.0),
        (27.9, 4.0, NOT_MET, 5.0),
        (None, 8.0, MET, 7.0),  # both branches agree; the harder one is shown
        (None, 6.0, UNKNOWN, 7.0),
        (None, 4.0, NOT_MET, 7.0),
        (30.0, None, UNKNOWN, 7.0),
        (20.0, None, UNKNOWN, 5.0),
    ],
)
def test_branches(
    tmp_path: Path, length_mm: float | None, area_mm2: float | None, verdict: Verdict, threshold: float
) -> None:
    (rule,) = rules_in(tmp_path, BRANCH)
    assert isinstance(rule.logic, Compound)
    assert rule.logic.combination is Combination.BRANCH
    assert rule.logic.statement == "if stented_length_mm >= 28: msa_mm2 > 7; otherwise: msa_mm2 > 5"
    assert rule.names == ("stented_length_mm", "msa_mm2")
    given = {"stented_length_mm": length_mm, "msa_mm2": area_mm2}
    got = outcome(rule, **{name: value for name, value in given.items() if value is not None})
    assert (got.verdict, got.threshold, got.unit) == (verdict, threshold, "mm2")
    assert [part.id for part in got.parts] == ["long", "short"]


def test_branches_of_draws(tmp_path: Path) -> None:
    """Half of the draws are long stents, and 6.0 mm2 is enough for the short ones only."""
    (rule,) = rules_in(tmp_path, BRANCH)
    got = outcome(rule, msa_mm2=6.0, stented_length_mm=Quantity(28.0, np.array([27.0, 29.0] * 10)))
    assert (got.verdict, got.probability) == (CLOSE, 0.5)


def test_the_part_that_settles_a_compound(tmp_path: Path) -> None:
    """All: the worst part; any: the best; among equals the one nearest to (or farthest from) its limit, relatively."""
    text = """
[[rule]]
id = "all"
all = [
  { id = "area", condition = "msa_mm2 > 5", unit = "mm2" },
  { id = "length", condition = "stented_length_mm < 40", unit = "mm" },
  { id = "depth", condition = "dissection_depth in ('none',)" },
]

[[rule]]
id = "any"
any = [
  { id = "area", condition = "msa_mm2 > 5", unit = "mm2" },
  { id = "length", condition = "stented_length_mm < 40", unit = "mm" },
]
"""
    every, some = rules_in(tmp_path, text)

    def settled(rule: Rule, **values: object) -> tuple[object, float | None, float | None, str]:
        got = outcome(rule, **values)
        return got.value, got.threshold, got.margin, got.unit

    # Margins of +20 % and +25 %, then +40 % and +25 %; -20 % and -25 %, and one of each.
    assert settled(some, msa_mm2=6.0, stented_length_mm=30.0) == (30.0, 40.0, 10.0, "mm")
    assert settled(some, msa_mm2=7.0, stented_length_mm=30.0) == (7.0, 5.0, 2.0, "mm2")
    assert settled(some, msa_mm2=4.0, stented_length_mm=50.0) == (4.0, 5.0, -1.0, "mm2")
    assert settled(some, msa_mm2=3.0, stented_length_mm=50.0) == (50.0, 40.0, -10.0, "mm")
    assert settled(some, msa_mm2=4.0, stented_length_mm=30.0) == (30.0, 40.0, 10.0, "mm")
    assert settled(some, stented_length_mm=50.0) == (None, 5.0, None, "mm2")
    assert settled(every, msa_mm2=4.0, stented_length_mm=50.0, dissection_depth="none") == (50.0, 40.0, -10.0, "mm")
    assert settled(every, msa_mm2=3.0, stented_length_mm=50.0, dissection_depth="none") == (3.0, 5.0, -2.0, "mm2")
    assert settled(every, msa_mm2=4.0, stented_length_mm=30.0, dissection_depth="none") == (4.0, 5.0, -1.0, "mm2")
    assert settled(every, msa_mm2=6.0, stented_length_mm=30.0, dissection_depth="medial") == ("medial", None, None, "")
    assert settled(every, msa_mm2=6.0, stented_length_mm=30.0, dissection_depth="none") == ("none", None, None, "")
    close = Quantity(5.1, np.array([4.9, 5.3]))
    assert settled(every, msa_mm2=close, stented_length_mm=39.9, dissection_depth="none")[1] == 5.0
    assert settled(every, msa_mm2=close, dissection_depth="none")[0] is None  # a missing part is worse than a close one
    assert settled(some, msa_mm2=close)[1] == 5.0


def test_the_record_of_a_rule() -> None:
    got = evaluate_rule(find_rule(load_criteria(), "len-split"), {"msa_mm2": Quantity(7.3)})
    record = got.as_json()
    assert isinstance(got, RuleResult)
    missing = ["stented_length_mm", "distal_lumen_mm2", "proximal_lumen_mm2"]
    assert record["inputs"] == {"msa_mm2": 7.3, **dict.fromkeys(missing)}
    assert record["missing"] == missing
    assert record["verdict"] == "not_assessable"
    assert [part["id"] for part in record["parts"]] == [part.id for part in got.outcome.parts]
    assert record["parts"][0]["statement"] == "msa_mm2 > distal_lumen_mm2"
    assert record["parts"][0]["margin"] is None
    assert {"source", "title", "sense", "from_memory", "note", "unit", "probability", "statement"} <= record.keys()
    assert panel_as_json([got]) == {"caution": CAUTION, "rules": [record]}


def test_the_listing_of_rules() -> None:
    listed = {rule["id"]: rule for rule in rules_as_json()["rules"]}
    assert listed["abs-5.0"]["threshold"] == "5.0"
    assert listed["abs-5.0"]["parts"] == []
    assert listed["abs-5.0"]["inputs"] == ["msa_mm2"]
    split = listed["len-split"]
    assert split["threshold"] is None
    assert split["parts"][0]["threshold"] == "distal_lumen_mm2"
    nested = listed["deJ-area"]["parts"]
    assert all(part["threshold"] is None and len(part["parts"]) == 2 for part in nested)
    assert nested[0]["parts"][0]["inputs"] == ["msa_mm2", "proximal_lumen_mm2", "distal_lumen_mm2"]
    assert [part["threshold"] for part in listed["diss-none"]["parts"]] == ["none", "0"]
    assert listed["abs-5.5-40"]["sense"] == "risk"
    assert listed["abs-5.5"]["source"].endswith(
        "[from memory, verify in the paper: the value in Räber 2018 (outside the left main)]"
    )
    assert listed["abs-5.0"]["from_memory"] is None
    assert not listed["abs-5.0"]["source"].endswith("]")
    inputs = {item["name"]: item for item in rules_as_json()["inputs"]}
    assert inputs["msa_mm2"] == {"name": "msa_mm2", "unit": "mm2", "kind": "number", "meaning": "minimum stent area"}
