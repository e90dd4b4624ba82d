"""Rules written for one test, and their outcome for numbers as a person would state them."""

from collections.abc import Iterable
from pathlib import Path

from boreline.expansion.criteria import Rule, load_criteria
from boreline.expansion.evaluate import Outcome, evaluate_rule
from boreline.expansion.inputs import Quantity

HEADER = 'title = "t"\nsource = "own"\n'


def rules_in(tmp_path: Path, text: str) -> tuple[Rule, ...]:
    """Rules from the bodies of a file's entries, each without its title and source."""
    path = tmp_path / "own.toml"
    path.write_text(text.replace("[[rule]]\n", "[[rule]]\n" + HEADER))
    return load_criteria(path)[len(load_criteria()) :]


def find_rule(rules: Iterable[Rule], rule_id: str) -> Rule:
    return {rule.id: rule for rule in rules}[rule_id]


def outcome(rule: Rule, **values: object) -> Outcome:
    given = {name: value if isinstance(value, Quantity) else Quantity(value) for name, value in values.items()}  # type: ignore[arg-type]
    return evaluate_rule(rule, given).outcome
