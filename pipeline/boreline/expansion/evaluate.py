"""Apply criteria to numbers: three-valued logic, margins, and probabilities where there are uncertainties.

A missing input makes a comparison neither true nor false. A compound keeps what still follows: one failed part fails
an "all", one met part meets an "any", whatever is missing. With uncertainties the same logic runs on every draw, and
the share of draws decides: met from 95 %, not met up to 5 %, too close to call between (own convention).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from boreline.expansion.criteria import Combination, Comparison, Logic, Rule
from boreline.expansion.expressions import Value
from boreline.expansion.inputs import INPUTS, InputKind, Quantities
from boreline.model import JsonValue

SURE = 0.95
_ALL_KNOWN = 1e-9


class Verdict(StrEnum):
    """What a rule says about this stent."""

    MET = "met"
    NOT_MET = "not_met"
    TOO_CLOSE = "too_close_to_call"
    NOT_ASSESSABLE = "not_assessable"


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one rule or part.

    Attributes
    ----------
    value, threshold
        Both sides of the comparison (of the deciding part in a compound), unrounded; None when not known.
    margin
        By how much the comparison holds (positive) or fails (negative), in `unit`.
    probability
        That the rule is met; None without uncertainties, or when missing inputs leave it open.
    """

    id: str
    verdict: Verdict
    value: float | str | bool | None
    threshold: float | None
    margin: float | None
    probability: float | None
    unit: str
    statement: str
    parts: tuple[Outcome, ...] = ()


@dataclass(frozen=True, slots=True)
class RuleResult:
    """A rule applied: its outcome and the inputs that it saw (None = missing)."""

    rule: Rule
    outcome: Outcome
    inputs: Mapping[str, float | str | bool | None]

    @property
    def missing(self) -> tuple[str, ...]:
        """Inputs that were not given or not measurable."""
        return tuple(name for name, value in self.inputs.items() if value is None)

    def as_json(self) -> dict[str, JsonValue]:
        """The rule record of `assessment.json`."""
        return {
            **_record(self.outcome),
            "inputs": dict(self.inputs),
            "missing": list(self.missing),
            "source": self.rule.cited,
            "title": self.rule.title,
            "sense": self.rule.sense,
            "from_memory": self.rule.from_memory,
            "note": self.rule.note,
        }


def evaluate_rules(rules: Iterable[Rule], quantities: Quantities) -> tuple[RuleResult, ...]:
    """Apply every rule; inputs that are not in `quantities` are missing."""
    return tuple(evaluate_rule(rule, quantities) for rule in rules)


def evaluate_rule(rule: Rule, quantities: Quantities) -> RuleResult:
    """Apply one rule."""
    point: dict[str, Value] = dict.fromkeys(INPUTS, math.nan)
    point |= {name: quantity.value for name, quantity in quantities.items()}
    draws = point | {name: quantity.draws for name, quantity in quantities.items() if quantity.draws is not None}
    uncertain = frozenset(name for name, quantity in quantities.items() if quantity.draws is not None)
    outcome = _outcome(rule.logic, point, draws, uncertain)
    return RuleResult(rule, outcome, {name: _plain(point[name]) for name in rule.names})


def _truth(logic: Logic, values: Mapping[str, Value]) -> tuple[Value, Value]:
    """(yes, no): both false where missing inputs leave the answer open."""
    if isinstance(logic, Comparison):
        return logic.condition.truth(values)
    answers = [_truth(part, values) for part in logic.parts]
    if logic.combination is Combination.BRANCH and logic.when is not None:
        (then_yes, then_no), (else_yes, else_no) = answers
        when_yes, when_no = logic.when.truth(values)
        # When the branch is not known, the answer stands only where both branches give it.
        yes = (when_yes & then_yes) | (when_no & else_yes) | (then_yes & else_yes)
        no = (when_yes & then_no) | (when_no & else_no) | (then_no & else_no)
        return yes, no
    yes, no = answers[0]
    for part_yes, part_no in answers[1:]:
        yes = yes | part_yes if logic.combination is Combination.ANY else yes & part_yes
        no = no | part_no if logic.combination is Combination.ALL else no & part_no
    return yes, no


def _outcome(
    logic: Logic, point: Mapping[str, Value], draws: Mapping[str, Value], uncertain: frozenset[str]
) -> Outcome:
    verdict, probability = _verdict(logic, point, draws, uncertain)
    if isinstance(logic, Comparison):
        value, threshold, margin = _sides(logic, point)
        return Outcome(logic.id, verdict, value, threshold, margin, probability, logic.unit, logic.statement)
    parts = tuple(_outcome(part, point, draws, uncertain) for part in logic.parts)
    if logic.combination is Combination.BRANCH and logic.when is not None:
        yes, no = logic.when.truth(point)
        candidates = (parts[0],) if yes else (parts[1],) if no else parts
    else:
        candidates = parts
    deciding = _deciding(candidates, met_wins=logic.combination is Combination.ANY)
    return Outcome(
        logic.id,
        verdict,
        deciding.value,
        deciding.threshold,
        deciding.margin,
        probability,
        deciding.unit,
        logic.statement,
        parts,
    )


def _verdict(
    logic: Logic, point: Mapping[str, Value], draws: Mapping[str, Value], uncertain: frozenset[str]
) -> tuple[Verdict, float | None]:
    if not uncertain.intersection(logic.names):
        yes, no = _truth(logic, point)
        return (Verdict.MET if yes else Verdict.NOT_MET if no else Verdict.NOT_ASSESSABLE), None
    yes, no = _truth(logic, draws)
    p_yes, p_no = float(np.mean(yes)), float(np.mean(no))
    known = p_yes + p_no > 1 - _ALL_KNOWN
    if p_yes >= SURE:
        return Verdict.MET, p_yes if known else None
    if p_no >= SURE:
        return Verdict.NOT_MET, p_yes if known else None
    if p_yes > 1 - SURE and p_no > 1 - SURE:
        return Verdict.TOO_CLOSE, p_yes if known else None
    return Verdict.NOT_ASSESSABLE, None


def _sides(
    logic: Comparison, point: Mapping[str, Value]
) -> tuple[float | str | bool | None, float | None, float | None]:
    value, threshold = logic.condition.sides(point)
    if INPUTS[logic.names[0]].kind is not InputKind.NUMBER:
        return _plain(value), None, None
    margin = threshold - value if logic.condition.comparator.startswith("<") else value - threshold
    return _plain(value), _plain_number(threshold), _plain_number(margin)


_FROM_BEST = (Verdict.MET, Verdict.TOO_CLOSE, Verdict.NOT_ASSESSABLE, Verdict.NOT_MET)


def _deciding(parts: tuple[Outcome, ...], *, met_wins: bool) -> Outcome:
    """The part that settles a compound: the best of an "any", the worst of an "all"; ties by relative margin."""

    def standing(part: Outcome) -> tuple[int, float]:
        relative = 0.0 if part.margin is None else part.margin / (abs(part.threshold or 0.0) or 1.0)
        return -_FROM_BEST.index(part.verdict), relative

    return (max if met_wins else min)(parts, key=standing)


def _plain(value: Any) -> float | str | bool | None:
    if isinstance(value, str | bool):
        return value
    return _plain_number(value)


def _plain_number(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


def _record(outcome: Outcome) -> dict[str, JsonValue]:
    return {
        "id": outcome.id,
        "verdict": outcome.verdict.value,
        "value": outcome.value,
        "threshold": outcome.threshold,
        "margin": outcome.margin,
        "unit": outcome.unit,
        "probability": outcome.probability,
        "statement": outcome.statement,
        "parts": [_record(part) for part in outcome.parts],
    }
