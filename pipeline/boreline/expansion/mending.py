"""How far a stent is from each criterion, and what a balloon would have to be: information, never an instruction.

The stent area that a rule needs is found by solving the rule for it with everything else held. The balloon that
would give this area is then stated under two models, both crude: the balloon reaches its full nominal area, or the
same fraction of nominal area that this run achieved. Rules that depend on the balloon itself are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from boreline.expansion.criteria import Logic, Rule
from boreline.expansion.evaluate import RuleResult, Verdict, evaluate_rule
from boreline.expansion.inputs import INPUTS, Quantities, Quantity
from boreline.model import JsonValue
from boreline.profile.indices import area_of_diameter_mm2, diameter_of_area_mm
from boreline.profile.uncertainty import Measured

MSA = "msa_mm2"
BALLOON_INPUTS = {"balloon_diameter_mm", "balloon_target_mm2"}
RISK = "more pressure or a larger balloon can rupture or dissect the vessel: assess the risk"
_LARGEST_MM2 = 60.0
_PRECISION_MM2 = 1e-6


def needed_msa_mm2(rule: Rule, quantities: Quantities) -> float | None:
    """The smallest stent area at which the rule is met, everything else as read; None when no area does it.

    Raises
    ------
    ValueError
        The rule does not depend on the stent area.
    """
    if MSA not in rule.names:
        raise ValueError(f"{rule.id} does not depend on the stent area")
    wanted = Verdict.NOT_MET if rule.sense == "risk" else Verdict.MET

    def met(area_mm2: float) -> bool:
        fixed = {name: Quantity(item.value) for name, item in quantities.items()} | {MSA: Quantity(area_mm2)}
        return evaluate_rule(rule, fixed).outcome.verdict is wanted

    # Rules need not be monotone in the area (one of them loosens at 9 mm2): scan, then bisect the first step up.
    low, step = _PRECISION_MM2, 0.25
    if met(low):
        return 0.0
    high = low + step
    while not met(high):
        low, high = high, high + step
        if high > _LARGEST_MM2:
            return None
    while high - low > _PRECISION_MM2:
        middle = (low + high) / 2
        low, high = (low, middle) if met(middle) else (middle, high)
    return high


def targets_before_implantation(rules: Iterable[Rule], measured: Mapping[str, Measured]) -> list[dict[str, JsonValue]]:
    """The stent area that each criterion would ask for with these references, and its equivalent diameter."""
    quantities = {
        name: Quantity(item.value)
        for name, item in measured.items()
        if name in INPUTS and math.isfinite(item.value) and item.value > 0
    }
    targets: list[dict[str, JsonValue]] = []
    for rule in rules:
        if MSA not in rule.names or rule.sense == "risk" or not _only_references(rule.logic):
            continue
        area = needed_msa_mm2(rule, quantities)
        targets.append(
            {
                "id": rule.id,
                "title": rule.title,
                "msa_mm2": area,
                "equivalent_diameter_mm": None if area is None else float(diameter_of_area_mm(area)),
                "source": rule.cited,
            }
        )
    return targets


_KNOWN_BEFORE = {
    MSA,
    "proximal_lumen_mm2",
    "distal_lumen_mm2",
    "proximal_eem_mm2",
    "distal_eem_mm2",
    "stented_length_mm",
}


def _only_references(logic: Logic) -> bool:
    return set(logic.names) <= _KNOWN_BEFORE


def what_would_mend(
    results: Iterable[RuleResult], quantities: Quantities, *, eem_diameter_mm: float
) -> list[dict[str, Any]]:
    """Per rule that is not met: area and balloon needed under both models, beside the headroom to the EEM.

    Parameters
    ----------
    eem_diameter_mm
        Mean EEM diameter in the frame of the smallest stent area; NaN when not measurable.
    """
    msa = quantities.get(MSA)
    if msa is None:
        return []
    balloon = quantities.get("balloon_diameter_mm")
    fraction = None
    if balloon is not None:
        fraction = float(msa.value) / float(area_of_diameter_mm2(float(balloon.value)))
    out = []
    for result in results:
        rule = result.rule
        unmet = Verdict.MET if rule.sense == "risk" else Verdict.NOT_MET
        if result.outcome.verdict is not unmet or MSA not in rule.names or BALLOON_INPUTS & set(rule.names):
            continue
        area = needed_msa_mm2(rule, quantities)
        if area is None or area <= float(msa.value):
            continue  # something other than the stent area decides
        full = float(diameter_of_area_mm(area))
        scaled = None if fraction is None else float(diameter_of_area_mm(area / fraction))
        out.append(
            {
                "id": rule.id,
                "needed_msa_mm2": area,
                "balloon_full_nominal_mm": full,
                "balloon_same_fraction_mm": scaled,
                "achieved_fraction": fraction,
                "eem_diameter_mm": eem_diameter_mm if math.isfinite(eem_diameter_mm) else None,
                "headroom_full_nominal_mm": _headroom(eem_diameter_mm, full),
                "headroom_same_fraction_mm": None if scaled is None else _headroom(eem_diameter_mm, scaled),
                "risk": RISK,
            }
        )
    return out


def _headroom(eem_mm: float, balloon_mm: float) -> float | None:
    return eem_mm - balloon_mm if math.isfinite(eem_mm) else None
