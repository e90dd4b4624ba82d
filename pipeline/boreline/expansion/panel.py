"""The whole panel of criteria, without a run: listed, or applied to numbers typed in."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from boreline.expansion.balloon_targets import balloon_table_rule, read_balloon_targets, target_for
from boreline.expansion.criteria import Compound, Logic, Rule, load_criteria
from boreline.expansion.evaluate import RuleResult, evaluate_rules
from boreline.expansion.inputs import INPUTS
from boreline.expansion.typed_values import read_values
from boreline.model import CAUTION, JsonValue


def panel_of_values(
    values: Path, *, criteria: Path | None = None, balloon_targets: Path | None = None
) -> tuple[RuleResult, ...]:
    """Every rule applied to the numbers in a TOML file.

    Raises
    ------
    InputRefused
        Any of the files cannot be used; the message names the key or rule.
    """
    rules = load_criteria(criteria)
    quantities = read_values(values)
    if balloon_targets is not None:
        rules = (*rules, balloon_table_rule(balloon_targets))
        balloon = quantities.get("balloon_diameter_mm")
        balloon_mm = float(balloon.value) if balloon is not None else None
        quantities |= target_for(balloon_mm, read_balloon_targets(balloon_targets))
    return evaluate_rules(rules, quantities)


def panel_as_json(panel: Iterable[RuleResult]) -> dict[str, JsonValue]:
    """The evaluated panel as a document."""
    return {"caution": CAUTION, "rules": [result.as_json() for result in panel]}


def rules_as_json(criteria: Path | None = None) -> dict[str, JsonValue]:
    """The panel as a list: what each rule asks, its inputs and its source."""
    return {
        "caution": CAUTION,
        "rules": [_listed(rule) for rule in load_criteria(criteria)],
        "inputs": [
            {"name": item.name, "unit": item.unit, "kind": item.kind.value, "meaning": item.meaning}
            for item in INPUTS.values()
        ],
    }


def _listed(rule: Rule) -> dict[str, JsonValue]:
    return {
        "id": rule.id,
        "title": rule.title,
        "statement": rule.logic.statement,
        "inputs": list(rule.names),
        "threshold": _threshold(rule.logic),
        "sense": rule.sense,
        "source": rule.cited,
        "from_memory": rule.from_memory,
        "note": rule.note,
        "parts": [_part(part) for part in rule.logic.parts] if isinstance(rule.logic, Compound) else [],
    }


def _part(logic: Logic) -> dict[str, JsonValue]:
    parts = [_part(part) for part in logic.parts] if isinstance(logic, Compound) else []
    return {
        "id": logic.id,
        "statement": logic.statement,
        "inputs": list(logic.names),
        "threshold": _threshold(logic),
        "parts": parts,
    }


def _threshold(logic: Logic) -> str | None:
    """The right side as written; None for compounds (their parts carry it)."""
    if isinstance(logic, Compound):
        return None
    condition = logic.condition
    if condition.right is not None:
        return condition.right.text
    return ", ".join(condition.words) or None
