"""Inputs at the ends of their ranges, areas that a rule needs, and files that a laboratory writes."""

import math
from pathlib import Path

import numpy as np
import pytest
from own_rules import find_rule, outcome, rules_in
from scipy.special import ndtri

from boreline.errors import InputRefused
from boreline.expansion.balloon_targets import balloon_table_rule, read_balloon_targets, target_for
from boreline.expansion.case_file import read_case
from boreline.expansion.criteria import Rule, load_criteria
from boreline.expansion.evaluate import Verdict, evaluate_rule
from boreline.expansion.inputs import INPUTS, InputKind, Quantity, check_together, check_value, imply
from boreline.expansion.mending import RISK, needed_msa_mm2, targets_before_implantation, what_would_mend
from boreline.expansion.typed_values import typed_quantities
from boreline.model import Phase
from boreline.profile.uncertainty import Measured

MET, NOT_MET = Verdict.MET, Verdict.NOT_MET


# ------------------------------------------------------------------------------------------------ inputs


@pytest.mark.parametrize("name", [name for name, item in INPUTS.items() if item.kind is InputKind.NUMBER])
def test_every_number_at_the_ends_of_its_range(name: str) -> None:
    item = INPUTS[name]
    assert check_value(name, item.high) == item.high
    assert check_value(name, int(item.high)) == item.high
    for beyond in (np.nextafter(item.high, np.inf), np.nextafter(item.low, -np.inf), math.nan, math.inf, -math.inf):
        with pytest.raises(InputRefused, match="outside the sensible range"):
            check_value(name, float(beyond))
    if item.from_low:
        assert check_value(name, item.low) == item.low
    else:
        with pytest.raises(InputRefused, match="outside the sensible range"):
            check_value(name, item.low)


def test_ranges_by_kind_of_number() -> None:
    limits = {name: (item.low, item.high, item.from_low) for name, item in INPUTS.items() if item.unit == "mm"}
    assert limits == {
        "stented_length_mm": (0.0, 200.0, False),
        "balloon_diameter_mm": (1.0, 10.0, True),
        "msa_min_diameter_mm": (0.0, 15.0, False),
        "msa_max_diameter_mm": (0.0, 15.0, False),
        "dissection_length_mm": (0.0, 150.0, True),
        "malapposition_mm": (0.0, 10.0, True),
        "malapposition_length_mm": (0.0, 200.0, True),
    }
    assert {item.high for item in INPUTS.values() if item.unit == "mm2"} == {200.0}
    assert {item.from_low for item in INPUTS.values() if item.unit == "mm2"} == {False}
    assert {name: item.high for name, item in INPUTS.items() if item.unit == "%"} == {
        "proximal_edge_burden_pct": 100.0,
        "distal_edge_burden_pct": 100.0,
    }
    assert INPUTS["dissection_arc_deg"].high == 360.0
    assert {name for name, item in INPUTS.items() if item.series} == {
        "proximal_edge_burden_pct",
        "distal_edge_burden_pct",
    }


def test_lists_words_and_answers() -> None:
    assert check_value("distal_edge_burden_pct", [10, 55.5, 20]) == 55.5
    assert check_value("dissection_side", "both") == "both"
    assert check_value("left_main", False) is False
    for name, value in (("msa_mm2", [5.0]), ("dissection_side", "left"), ("left_main", "yes"), ("msa_mm2", None)):
        with pytest.raises(InputRefused):
            check_value(name, value)


@pytest.mark.parametrize(
    ("small", "large"),
    [
        ("proximal_lumen_mm2", "proximal_eem_mm2"),
        ("distal_lumen_mm2", "distal_eem_mm2"),
        ("msa_mm2", "msa_eem_mm2"),
        ("msa_min_diameter_mm", "msa_max_diameter_mm"),
    ],
)
def test_one_inside_the_other(small: str, large: str) -> None:
    check_together({small: 9.0, large: 9.0})
    check_together({small: 9.0})
    check_together({large: 9.0})
    with pytest.raises(InputRefused) as refusal:
        check_together({small: 9.1, large: 9.0})
    assert small in str(refusal.value)
    assert large in str(refusal.value)


def test_a_dissection_that_is_there_or_is_not() -> None:
    for values in (
        {"dissection_depth": "none", "dissection_length_mm": 0.0, "dissection_arc_deg": 0.0},
        {"dissection_depth": "medial", "dissection_length_mm": 1.0, "dissection_arc_deg": 20.0},
        {"dissection_length_mm": 0.0},
        {"dissection_length_mm": 3.0},
    ):
        check_together(values)
    for values in (
        {"dissection_depth": "none", "dissection_arc_deg": 20.0},
        {"dissection_depth": "medial", "dissection_length_mm": 0.0, "dissection_arc_deg": 20.0},
    ):
        with pytest.raises(InputRefused) as refusal:
            check_together(values)
        assert "dissection_depth" in str(refusal.value)


def test_what_follows_from_an_absent_dissection_or_full_apposition() -> None:
    absent = {
        "dissection_depth": "none",
        "dissection_length_mm": 0.0,
        "dissection_arc_deg": 0.0,
        "dissection_side": "none",
    }
    assert imply({"dissection_depth": "none"}) == absent
    assert imply({"dissection_length_mm": 0.0}) == absent
    assert imply({"dissection_arc_deg": 0}) == absent
    assert imply({"dissection_length_mm": 2.0}) == {"dissection_length_mm": 2.0}
    present = {"dissection_depth": "medial", "dissection_arc_deg": 30.0}
    assert imply(present) == present
    assert imply({"malapposition_mm": 0.0}) == {"malapposition_mm": 0.0, "malapposition_length_mm": 0.0}
    assert imply({"malapposition_mm": 0.0, "malapposition_length_mm": 2.0})["malapposition_length_mm"] == 2.0
    assert imply({"malapposition_mm": 0.2}) == {"malapposition_mm": 0.2}


def test_draws_of_typed_values_are_normal_slice_by_slice() -> None:
    """Sorted they are the quantiles of the normal distribution (scipy), in another order for each input."""
    values = {
        "msa_mm2": 6.0,
        "msa_mm2_sd": 0.5,
        "distal_lumen_mm2": 1.0,
        "distal_lumen_mm2_sd": 0.5,
        "stented_length_mm": 9,
    }
    got = typed_quantities(values, n_draws=101)
    quantiles = ndtri((np.arange(101) + 0.5) / 101)
    assert got["msa_mm2"].draws is not None
    assert got["distal_lumen_mm2"].draws is not None
    assert np.sort(got["msa_mm2"].draws) == pytest.approx(6.0 + 0.5 * quantiles)
    assert np.sort(got["distal_lumen_mm2"].draws) == pytest.approx(np.maximum(1.0 + 0.5 * quantiles, 0.0))
    assert got["distal_lumen_mm2"].draws.min() == 0.0
    together = np.corrcoef(got["msa_mm2"].draws, got["distal_lumen_mm2"].draws)[0, 1]
    assert abs(together) < 0.3
    assert got["stented_length_mm"].draws is None
    again = typed_quantities(values, n_draws=101)["msa_mm2"].draws
    assert np.array_equal(got["msa_mm2"].draws, again)
    exact = typed_quantities({"msa_mm2": 6.0, "msa_mm2_sd": 0}, n_draws=7)["msa_mm2"].draws
    assert exact.tolist() == [6.0] * 7
    for wrong in (True, "0.2", math.inf):
        with pytest.raises(InputRefused, match="no standard uncertainty"):
            typed_quantities({"msa_mm2": 6.0, "msa_mm2_sd": wrong})


# ------------------------------------------------------------------------------------------- needed areas


def needed(rule: Rule, **values: float) -> float | None:
    return needed_msa_mm2(rule, {name: Quantity(value) for name, value in values.items()})


def test_the_smallest_area_that_meets_a_rule(tmp_path: Path) -> None:
    rules = load_criteria()
    got = needed(find_rule(rules, "abs-5.5"), msa_mm2=4.0)
    assert got is not None
    assert 5.5 < got <= 5.5 + 1.1e-6
    at_least = needed(find_rule(rules, "dist-90"), distal_lumen_mm2=7.0)
    assert at_least is not None
    assert 6.3 <= at_least <= 6.3 + 1.1e-6
    # A risk sign has to be absent: at least 5.5 mm2 where the stent is short, and no area helps a long one.
    risk = find_rule(rules, "abs-5.5-40")
    assert needed(risk, stented_length_mm=30.0) == pytest.approx(5.5, abs=1.1e-6)
    assert needed(risk, stented_length_mm=41.0) is None
    own = rules_in(
        tmp_path,
        """
[[rule]]
id = "ever"
condition = "msa_mm2 < 100"

[[rule]]
id = "sixty"
condition = "msa_mm2 > 59.7"

[[rule]]
id = "beyond"
condition = "msa_mm2 > 60.1"

[[rule]]
id = "island"
all = [{ id = "x", condition = "msa_mm2 > 3" }, { id = "y", condition = "msa_mm2 < 3.3" }]
""",
    )
    assert needed(own[0]) == 0.0
    assert needed(own[1]) == pytest.approx(59.7, abs=1.1e-6)
    assert needed(own[2]) is None
    assert needed(own[3]) == pytest.approx(3.0, abs=1.1e-6)


def test_a_rule_that_loosens_at_nine() -> None:
    """de Jaegere 1998: from 9.0 mm2 on, 0.80 x the mean 11.0 is enough; below, 0.90 x 11.0 = 9.9 would be."""
    rule = find_rule(load_criteria(), "deJ-area")
    assert needed(rule, proximal_lumen_mm2=11.0, distal_lumen_mm2=11.0) == pytest.approx(9.0, abs=1.1e-6)


def test_targets_before_a_stent_is_there() -> None:
    measured = {
        "proximal_lumen_mm2": Measured(9.8),
        "distal_lumen_mm2": Measured(7.6),
        "proximal_eem_mm2": Measured(math.nan),
        "distal_eem_mm2": Measured(-1.0),
        "stented_length_mm": Measured(20.0),
        "mla_mm2": Measured(2.9),
    }
    got = {target["id"]: target for target in targets_before_implantation(load_criteria(), measured)}
    assert got["mean-90"]["msa_mm2"] == pytest.approx(7.83, abs=2e-6)
    assert got["mean-90"]["equivalent_diameter_mm"] == pytest.approx(2 * math.sqrt(7.83 / math.pi), abs=1e-6)
    assert got["refvessel-55"]["msa_mm2"] is None
    assert got["refvessel-55"]["equivalent_diameter_mm"] is None
    assert got["abs-5.5"]["source"].startswith("Lee YJ")
    assert {"abs-5.5-40", "balloon-70", "edge-50", "vessel-msa", "all-three"}.isdisjoint(got)
    assert {"abs-5.0", "dist-90", "len-split", "deJ-area"} <= set(got)


def test_what_would_mend_leaves_out_what_another_input_decides(tmp_path: Path) -> None:
    """7.0 mm2 fail 'both' for the length alone; what depends on the kind is not unmet; a present risk sign is."""
    text = """
[[rule]]
id = "both"
all = [{ id = "x", condition = "msa_mm2 > 5" }, { id = "y", condition = "stented_length_mm < 10" }]

[[rule]]
id = "ten"
condition = "msa_mm2 >= 10"

[[rule]]
id = "sign"
sense = "risk"
condition = "msa_mm2 < 8"

[[rule]]
id = "absent"
sense = "risk"
condition = "msa_mm2 < 6"

[[rule]]
id = "by-kind"
agree = [{ id = "x", condition = "msa_mm2 > 6.5" }, { id = "y", condition = "msa_mm2 > 7.5" }]
"""
    rules = rules_in(tmp_path, text)
    quantities = {
        "msa_mm2": Quantity(7.0, np.full(10, 7.0)),
        "stented_length_mm": Quantity(20.0),
        "balloon_diameter_mm": Quantity(4.0),
    }
    results = [evaluate_rule(rule, quantities) for rule in rules]
    got = what_would_mend(results, quantities, eem_diameter_mm=4.0)
    assert [item["id"] for item in got] == ["ten", "sign"]
    ten = got[0]
    fraction = 7.0 / (math.pi * 4.0)
    full, scaled = (2 * math.sqrt(area / math.pi) for area in (10.0, 10.0 / fraction))
    assert ten == {
        "id": "ten",
        "needed_msa_mm2": pytest.approx(10.0, abs=2e-6),
        "balloon_full_nominal_mm": pytest.approx(full, abs=1e-6),
        "balloon_same_fraction_mm": pytest.approx(scaled, abs=1e-6),
        "achieved_fraction": pytest.approx(fraction),
        "eem_diameter_mm": 4.0,
        "headroom_full_nominal_mm": pytest.approx(4.0 - full, abs=1e-6),
        "headroom_same_fraction_mm": pytest.approx(4.0 - scaled, abs=1e-6),
        "risk": RISK,
    }
    assert got[1]["needed_msa_mm2"] == pytest.approx(8.0, abs=2e-6)
    blind = what_would_mend(results, quantities, eem_diameter_mm=math.nan)
    assert (blind[0]["eem_diameter_mm"], blind[0]["headroom_same_fraction_mm"]) == (None, None)


# ------------------------------------------------------------------------------------------------ files


def test_a_balloon_table_by_line(tmp_path: Path) -> None:
    path = tmp_path / "balloons.csv"
    path.write_text("\ufeffballoon_diameter_mm,target_area_mm2\n3.0,5.2\n3.5,7.0\n")
    targets = read_balloon_targets(path)
    assert targets == {3.0: 5.2, 3.5: 7.0}
    assert target_for(3.5000005, targets) == {"balloon_target_mm2": Quantity(7.0)}
    assert target_for(3.4999995, targets) == {"balloon_target_mm2": Quantity(7.0)}
    for none in (3.500002, 3.25, None):
        assert target_for(none, targets) == {}
    rule = balloon_table_rule(path)
    assert outcome(rule, msa_mm2=7.0, balloon_target_mm2=7.0).verdict is MET
    assert outcome(rule, msa_mm2=6.9, balloon_target_mm2=7.0).verdict is NOT_MET
    assert rule.source == "own table balloons.csv"
    for row, line in (("x,1", "line 4"), ("3.0,6", "line 4"), (",5", "line 4"), ("4.0", "line 4")):
        path.write_text(f"balloon_diameter_mm,target_area_mm2\n3.0,5.2\n3.5,7.0\n{row}\n")
        with pytest.raises(InputRefused, match=line):
            read_balloon_targets(path)
    path.write_text("balloon_diameter_mm,target_area_mm2\n3.0,0\n")
    with pytest.raises(InputRefused, match="sensible range"):
        read_balloon_targets(path)
    path.write_bytes(b"balloon_diameter_mm,target_area_mm2\n3.0,\xe9\n")
    with pytest.raises(InputRefused, match="cannot be read"):
        read_balloon_targets(path)


def test_a_case_is_ordered_by_phase(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    order = ["follow_up", "before", "post_dilated", "prepared", "implanted"]
    runs = "".join(f'[[run]]\nfolder = "{phase}-run"\nphase = "{phase}"\n' for phase in order)
    path.write_text(
        runs + "[[fiducial]]\nbefore_mm = 12.5\nafter_mm = 11\n[[fiducial]]\nbefore_mm = 20\nafter_mm = 19\n"
    )
    case = read_case(path)
    assert [phase for phase, _ in case.runs] == list(Phase)
    assert case.before == tmp_path / "before-run"
    assert case.after == tmp_path / "follow_up-run"
    assert case.fiducials == ((12.5, 11.0), (20.0, 19.0))
    for bad in (
        '[[run]]\nfolder = "a"\nphase = "before"\n',
        runs + 'name = "x"\n',
        runs + "[[fiducial]]\nbefore_mm = 1\nafter_mm = inf\n",
    ):
        path.write_text(bad)
        with pytest.raises(InputRefused, match="not a case file"):
            read_case(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(InputRefused, match="cannot be read"):
        read_case(path)


@pytest.mark.parametrize(
    ("entry", "word"),
    [
        ('condition = "msa_mm2 > 5"\nwhen = "left_main"', "exactly one"),
        ('unit = "mm"', "exactly one"),
        ('when = "left_main"\nthen = "abs-5.0"', "'when' goes with both"),
        ('when = "left_main"\notherwise = "abs-5.0"', "'when' goes with both"),
        ('condition = "msa_mm2 > 5"\notherwise = "abs-5.0"', "'when' goes with both"),
        ("agree = []", "not a criterion file"),
        ("any = []", "not a criterion file"),
        ('condition = "1 > 0"', "wrong kind"),
        ('condition = "left_main > 0"', "wrong kind"),
        ("condition = \"msa_mm2 in ('none',)\"", "wrong kind"),
        ('condition = "dissection_depth"', "wrong kind"),
        ('condition = "msa_mm2 + left_main > 1"', "wrong kind"),
        ("condition = \"dissection_depth in ('deep', 'none', 'far')\"", "'deep' is no value of dissection_depth"),
        ('sense = "wish"\ncondition = "msa_mm2 > 5"', "not a criterion file"),
        ('all = [{ id = "", condition = "msa_mm2 > 5" }]', "not a criterion file"),
    ],
)
def test_what_is_no_criterion(tmp_path: Path, entry: str, word: str) -> None:
    with pytest.raises(InputRefused, match=word):
        rules_in(tmp_path, f'[[rule]]\nid = "own"\n{entry}\n')


def test_a_branch_may_name_rules_that_stand_earlier(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, '[[rule]]\nid = "own"\nwhen = "left_main"\nthen = "abs-9"\notherwise = "abs-5.0"\n')
    assert outcome(rule, left_main=True, msa_mm2=7.0).verdict is NOT_MET
    assert outcome(rule, left_main=False, msa_mm2=7.0).verdict is MET
    assert (rule.sense, rule.note, rule.from_memory) == ("target", None, None)
