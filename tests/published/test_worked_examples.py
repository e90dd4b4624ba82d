"""Worked examples of the expansion criteria, each computed by hand from the formula that its source prints.

Sources are named beside each rule in `criteria.toml`; the numbers below are areas in mm2, lengths in mm, and the
results were worked out from the printed formulas, not with this program.
"""

import pytest
from scipy import stats

from boreline.expansion.criteria import load_criteria
from boreline.expansion.evaluate import Outcome, Verdict, evaluate_rules
from boreline.expansion.typed_values import typed_quantities

MET, NOT_MET, CLOSE, UNKNOWN = Verdict.MET, Verdict.NOT_MET, Verdict.TOO_CLOSE, Verdict.NOT_ASSESSABLE

FULL_PANEL = {
    "msa_mm2": 7.3,
    "proximal_lumen_mm2": 9.8,
    "distal_lumen_mm2": 7.6,
    "proximal_eem_mm2": 16.5,
    "distal_eem_mm2": 12.4,
    "msa_eem_mm2": 15.9,
    "stented_length_mm": 32,
    "balloon_diameter_mm": 3.5,
    "msa_min_diameter_mm": 2.90,
    "msa_max_diameter_mm": 3.21,
    "proximal_edge_burden_pct": 42,
    "distal_edge_burden_pct": 47,
    "dissection_depth": "none",
    "malapposition_mm": 0,
}


def panel(values: dict[str, object]) -> dict[str, Outcome]:
    return {r.rule.id: r.outcome for r in evaluate_rules(load_criteria(), typed_quantities(values))}


def verdicts(values: dict[str, object]) -> dict[str, Verdict]:
    return {rule_id: outcome.verdict for rule_id, outcome in panel(values).items()}


@pytest.mark.parametrize(
    ("diameter_mm", "area_mm2", "seventy_mm2"),
    [
        (2.5, 4.909, 3.436),
        (3.0, 7.069, 4.948),
        (3.5, 9.621, 6.735),
        (4.0, 12.566, 8.796),
        (4.5, 15.904, 11.133),
        (5.0, 19.635, 13.744),
    ],
)
def test_e1_nominal_balloon_area(diameter_mm: float, area_mm2: float, seventy_mm2: float) -> None:
    """Area of a circle, and 70 % of it (Chieffo, Am Heart J 2013;165:65-72; the 70 % from memory)."""
    outcomes = panel({"msa_mm2": 7.0, "balloon_diameter_mm": diameter_mm})
    assert outcomes["balloon-70"].threshold == pytest.approx(seventy_mm2, abs=6e-4)
    assert outcomes["balloon-80"].threshold == pytest.approx(0.8 * area_mm2, abs=6e-4)


def test_e2_eighty_percent_of_a_4_mm_balloon() -> None:
    """Common practice, no source: 80 % of a 4.0 mm balloon is 10.05 mm2."""
    threshold = panel({"msa_mm2": 7.0, "balloon_diameter_mm": 4.0})["balloon-80"].threshold
    assert threshold == pytest.approx(10.05, abs=5e-3)


E2 = {
    "abs-5.0": (7.3, MET),
    "abs-5.5": (7.3, MET),
    "abs-9": (7.3, NOT_MET),
    "mean-80": (83.9, MET),
    "mean-90": (83.9, NOT_MET),
    "dist-90": (96.1, MET),
    "dist-100": (96.1, NOT_MET),
    "dist-90-or-5": (None, MET),
    "edge-50": (47, MET),
    "diss-3": (None, MET),
    "all-three": (None, MET),
    "len-split": (7.3, NOT_MET),
    "deJ-area": (7.3, NOT_MET),
    "deJ-sym": (0.903, MET),
    "deJ-appo": (0.0, MET),
    "refvessel-55": (7.3, NOT_MET),
    "balloon-70": (7.3, MET),
    "balloon-80": (7.3, NOT_MET),
    "vessel-msa": (45.9, MET),
    "abs-5.5-40": (None, NOT_MET),  # the risk sign is absent: 7.3 mm2 and 32 mm
    "abs-gen2": (7.3, MET),
    "abs-5.7": (7.3, MET),
    "edge-55": (47, MET),
    "edge-54.5": (47, MET),
    "diss-none": (None, MET),
    "diss-raber": (None, MET),
    "appo": (None, MET),
}


@pytest.mark.parametrize("rule_id", E2)
def test_e2_full_panel(rule_id: str) -> None:
    value, verdict = E2[rule_id]
    outcome = panel(FULL_PANEL)[rule_id]
    assert outcome.verdict is verdict
    assert outcome.probability is None
    if value is not None:
        assert outcome.value == pytest.approx(value, abs=0.051 if value > 1 else 5e-4)


def test_e2_thresholds() -> None:
    outcomes = panel(FULL_PANEL)
    assert outcomes["len-split"].threshold == 7.6
    assert outcomes["refvessel-55"].threshold == pytest.approx(7.948, abs=6e-4)
    mean, smaller = outcomes["deJ-area"].parts[0].parts
    assert mean.threshold == pytest.approx(7.83)
    assert smaller.threshold == pytest.approx(7.60)


def test_e3_branch_above_nine() -> None:
    """de Jaegere 1998: 0.80 x mean 11.7 = 9.36 is met, 0.90 x smaller = 9.72 is not; either is enough."""
    outcome = panel({"msa_mm2": 9.4, "proximal_lumen_mm2": 12.6, "distal_lumen_mm2": 10.8})["deJ-area"]
    assert outcome.verdict is MET
    mean, smaller = outcome.parts[1].parts
    assert (mean.verdict, smaller.verdict) == (MET, NOT_MET)
    assert mean.threshold == pytest.approx(9.36)
    assert smaller.threshold == pytest.approx(9.72)
    assert outcome.parts[0].parts[0].threshold == pytest.approx(10.53)  # the other branch


def test_exactly_nine_takes_the_branch_for_larger_areas() -> None:
    outcome = panel({"msa_mm2": 9.0, "proximal_lumen_mm2": 11.0, "distal_lumen_mm2": 11.0})["deJ-area"]
    assert outcome.verdict is MET  # 9.0 >= 0.80 x 11.0; the other branch would ask for 9.9


def test_e4_small_vessel() -> None:
    got = verdicts({"msa_mm2": 4.7, "proximal_lumen_mm2": 6.4, "distal_lumen_mm2": 5.0})
    assert got["abs-5.0"] is NOT_MET
    assert got["dist-90"] is MET
    assert got["dist-90-or-5"] is MET
    assert got["abs-5.5"] is NOT_MET
    assert got["mean-80"] is MET
    assert got["dist-100"] is NOT_MET


def test_e5_boundary_is_compared_unrounded_and_as_printed() -> None:
    outcomes = panel({"msa_mm2": 6.0, "proximal_lumen_mm2": 9.0, "distal_lumen_mm2": 6.0})
    assert outcomes["mean-80"].value == pytest.approx(80.0)
    assert outcomes["mean-80"].verdict is NOT_MET  # strictly above
    assert outcomes["dist-100"].verdict is NOT_MET
    assert outcomes["deJ-area"].verdict is MET  # at least the smaller reference


@pytest.mark.parametrize(("percent", "rule_id"), [(90, "dist-90"), (80, "mean-80"), (55, "refvessel-55")])
@pytest.mark.parametrize("reference_mm2", [3.3, 5.7, 7.1, 9.7, 10.1, 12.3])
def test_e5_binary_rounding_never_decides(percent: int, rule_id: str, reference_mm2: float) -> None:
    names = ("proximal_lumen_mm2", "distal_lumen_mm2", "proximal_eem_mm2", "distal_eem_mm2")
    for msa_mm2 in (percent / 100 * reference_mm2, percent * reference_mm2 / 100):
        got = verdicts({"msa_mm2": msa_mm2, **dict.fromkeys(names, reference_mm2)})[rule_id]
        assert got is (NOT_MET if rule_id == "mean-80" else MET)


@pytest.mark.parametrize(("length_mm", "expected"), [(24, MET), (27.9, MET), (28.0, NOT_MET), (32, NOT_MET)])
def test_e6_length_split(length_mm: float, expected: Verdict) -> None:
    """Yamamoto, JACC Asia 2023;3:211-25."""
    assert verdicts({**FULL_PANEL, "stented_length_mm": length_mm})["len-split"] is expected


def test_e6_without_a_length_the_rule_is_open() -> None:
    values = {key: value for key, value in FULL_PANEL.items() if key != "stented_length_mm"}
    assert verdicts(values)["len-split"] is UNKNOWN
    assert verdicts({**values, "msa_mm2": 7.7})["len-split"] is MET  # both branches agree


def test_e7_left_main() -> None:
    outcomes = panel({"lcx_ostium_mm2": 5.2, "lad_ostium_mm2": 6.1, "confluence_mm2": 7.4, "left_main_mm2": 8.6})
    decimals = {part.id: part.verdict for part in outcomes["lm-2011"].parts}
    assert [place for place, verdict in decimals.items() if verdict is NOT_MET] == ["anterior descending ostium"]
    assert outcomes["lm-2011"].verdict is NOT_MET
    assert outcomes["lm-2011-whole"].verdict is MET
    assert outcomes["lm-two"].verdict is NOT_MET
    assert outcomes["lm-one"].verdict is NOT_MET
    assert outcomes["lm-west"].verdict is NOT_MET
    assert {part.verdict for part in outcomes["lm-west"].parts} == {NOT_MET}
    one = {part.id: part.verdict for part in outcomes["lm-one"].parts}
    assert one == {"proximal left main": NOT_MET, "distal left main": UNKNOWN, "anterior descending ostium": NOT_MET}


def test_e8_the_largest_burden_at_the_edge_counts() -> None:
    outcomes = panel({**FULL_PANEL, "distal_edge_burden_pct": [48, 51, 46, 44, 43, 41]})
    assert outcomes["edge-50"].verdict is NOT_MET
    assert outcomes["edge-50"].value == 51
    assert outcomes["edge-55"].verdict is MET
    assert outcomes["edge-54.5"].verdict is MET


def test_e9_missing_distal_reference() -> None:
    missing = {"distal_lumen_mm2", "distal_eem_mm2", "distal_edge_burden_pct"}
    values = {key: value for key, value in FULL_PANEL.items() if key not in missing}
    got = verdicts(values)
    for rule_id in ("dist-90", "dist-100", "mean-80", "mean-90", "deJ-area", "len-split", "refvessel-55", "all-three"):
        assert got[rule_id] is UNKNOWN, rule_id
    for rule_id in ("abs-5.0", "abs-5.5", "balloon-70", "vessel-msa", "dist-90-or-5"):
        assert got[rule_id] is MET, rule_id
    assert got["abs-9"] is NOT_MET
    assert verdicts({**values, "proximal_edge_burden_pct": 53})["all-three"] is NOT_MET


@pytest.mark.parametrize(
    ("msa_mm2", "probability", "verdict"), [(5.6, 0.655, CLOSE), (6.3, 0.9993, MET), (5.2, 0.115, CLOSE)]
)
def test_e10_probability_of_an_absolute_rule(msa_mm2: float, probability: float, verdict: Verdict) -> None:
    outcome = panel({"msa_mm2": msa_mm2, "msa_mm2_sd": 0.25})["abs-5.5"]
    assert outcome.probability == pytest.approx(probability, abs=6e-4)
    assert outcome.probability == pytest.approx(stats.norm.sf(5.5, msa_mm2, 0.25), abs=1e-4)  # scipy
    assert outcome.verdict is verdict


def test_e10_probability_of_a_ratio() -> None:
    """4 % on each of three areas: 0.839 +/- 0.041, so z = 0.95."""
    areas = {name: FULL_PANEL[name] for name in ("msa_mm2", "proximal_lumen_mm2", "distal_lumen_mm2")}
    outcome = panel(areas | {f"{name}_sd": 0.04 * value for name, value in areas.items()})["mean-80"]
    assert outcome.verdict is CLOSE
    assert outcome.probability == pytest.approx(stats.norm.cdf(0.95), abs=0.012)
