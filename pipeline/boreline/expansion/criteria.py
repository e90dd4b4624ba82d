"""Criteria as data: TOML files checked by a schema, turned into rules that `evaluate` applies.

A rule is one comparison, or a combination of parts:

* ``condition`` - one comparison (`boreline.expansion.expressions`);
* ``all``, ``any`` - parts, each a rule id that stands earlier or an inline table with its own ``id``;
* ``agree`` - parts of which the paper gives one per kind of stent: the verdict stands only where all agree;
* ``when`` with ``then`` and ``otherwise`` - two branches.

A laboratory adds rules of its own in a file of the same form, without code.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from boreline.errors import CHECK_TEXT, CHECK_TOML, InputRefused
from boreline.expansion.expressions import Condition, ExpressionError, parse_condition
from boreline.expansion.inputs import INPUTS, InputKind

VERIFY = "from memory, verify in the paper"
_FORM = "'boreline rules --help' shows the form of a rule"
_LANGUAGE = "'boreline rules --help' shows a condition; 'boreline rules' lists the inputs"


class Combination(StrEnum):
    """How a compound rule joins its parts."""

    ALL = "all"
    ANY = "any"
    AGREE = "agree"
    BRANCH = "branch"  # parts are (then, otherwise)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A rule of one comparison."""

    id: str
    condition: Condition
    unit: str = ""

    @property
    def statement(self) -> str:
        """The comparison as written in the criterion file."""
        return self.condition.text

    @property
    def names(self) -> tuple[str, ...]:
        """Inputs used."""
        return self.condition.names


@dataclass(frozen=True, slots=True)
class Compound:
    """A rule made of parts."""

    id: str
    combination: Combination
    parts: tuple[Comparison | Compound, ...]
    when: Condition | None = None

    @property
    def statement(self) -> str:
        """The combination in words."""
        if self.when is not None:
            then, otherwise = self.parts
            return f"if {self.when.text}: {then.statement}; otherwise: {otherwise.statement}"
        word = " or " if self.combination is Combination.ANY else " and "
        inner = [f"({part.statement})" if isinstance(part, Compound) else part.statement for part in self.parts]
        if self.combination is Combination.AGREE:
            return "by kind of stent: " + "; ".join(
                f"{part.id}: {text}" for part, text in zip(self.parts, inner, strict=True)
            )
        return word.join(inner)

    @property
    def names(self) -> tuple[str, ...]:
        """Inputs used by the branch condition and all parts."""
        own = self.when.names if self.when else ()
        return tuple(dict.fromkeys((*own, *(name for part in self.parts for name in part.names))))


Logic = Comparison | Compound


@dataclass(frozen=True, slots=True)
class Rule:
    """One published (or local) criterion.

    Attributes
    ----------
    sense
        ``target``: met is what the paper asks for; ``risk``: met means that the paper's risk sign is present.
    from_memory
        What in this entry nobody has checked in the paper yet; None when everything was.
    """

    id: str
    title: str
    logic: Logic
    source: str
    sense: Literal["target", "risk"] = "target"
    from_memory: str | None = None
    note: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Inputs used."""
        return self.logic.names

    @property
    def cited(self) -> str:
        """The source, with the warning where a part of it comes from memory."""
        return f"{self.source} [{VERIFY}: {self.from_memory}]" if self.from_memory else self.source


# ---------------------------------------------------------------------------------------- the file's schema


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Part(_Strict):
    id: str = Field(min_length=1)
    unit: str = ""
    condition: str | None = None
    all_: tuple[str | _Part, ...] | None = Field(None, alias="all", min_length=1)
    any_: tuple[str | _Part, ...] | None = Field(None, alias="any", min_length=1)
    agree: tuple[str | _Part, ...] | None = Field(None, min_length=1)
    when: str | None = None
    then: str | _Part | None = None
    otherwise: str | _Part | None = None

    @model_validator(mode="after")
    def _one_form(self) -> _Part:
        forms = [self.condition, self.all_, self.any_, self.agree, self.when]
        if sum(form is not None for form in forms) != 1:
            raise ValueError("give exactly one of condition, all, any, agree, when")
        branches = (self.then is not None) + (self.otherwise is not None)
        if branches != (2 if self.when is not None else 0):
            raise ValueError("'when' goes with both 'then' and 'otherwise'")
        return self


class _Entry(_Part):
    title: str = Field(min_length=1)
    source: str = Field(min_length=1)
    sense: Literal["target", "risk"] = "target"
    from_memory: str | None = None
    note: str | None = None


class _File(_Strict):
    rule: tuple[_Entry, ...] = Field(min_length=1)


# ------------------------------------------------------------------------------------------------- loading


@cache
def published_criteria() -> tuple[Rule, ...]:
    """The rules that come with the program, in the order of the file."""
    resource = files("boreline.expansion") / "criteria.toml"
    return _rules(resource.read_text(encoding="utf-8"), "criteria.toml", {})


def load_criteria(own: Path | None = None) -> tuple[Rule, ...]:
    """The published rules, followed by those of a laboratory's own file.

    Raises
    ------
    InputRefused
        The file cannot be read, breaks the schema, uses an unknown input, or reuses an id.
    """
    published = published_criteria()
    if own is None:
        return published
    try:
        text = own.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as failure:
        raise InputRefused(f"the criterion file cannot be read ({failure})", file=own, remedy=CHECK_TEXT) from None
    return published + _rules(text, str(own), {rule.id: rule.logic for rule in published})


def _rules(text: str, name: str, known: Mapping[str, Logic]) -> tuple[Rule, ...]:
    try:
        document = _File.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as failure:
        raise InputRefused(f"no valid TOML ({failure})", file=name, remedy=CHECK_TOML) from None
    except ValidationError as failure:
        first = failure.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        raise InputRefused(
            f"not a criterion file ({first['msg']})", file=name, tag=place or "rule", remedy=_FORM
        ) from None
    logic_of = dict(known)
    rules = []
    for entry in document.rule:
        if entry.id in logic_of:
            raise InputRefused("this rule id is taken", file=name, tag=entry.id, remedy="choose another id")
        try:
            logic_of[entry.id] = logic = _logic(entry, logic_of)
        except ExpressionError as failure:
            raise InputRefused(str(failure), file=name, tag=entry.id, remedy=_LANGUAGE) from None
        rules.append(Rule(entry.id, entry.title, logic, entry.source, entry.sense, entry.from_memory, entry.note))
    return tuple(rules)


def _logic(part: str | _Part, known: Mapping[str, Logic]) -> Logic:
    if isinstance(part, str):
        if part not in known:
            raise ExpressionError(f"part {part!r} is no rule that stands earlier")
        return known[part]
    if part.condition is not None:
        return Comparison(part.id, _condition(part.condition), part.unit)
    if part.when is not None and part.then is not None and part.otherwise is not None:
        branches = (_logic(part.then, known), _logic(part.otherwise, known))
        return Compound(part.id, Combination.BRANCH, branches, _condition(part.when))
    forms = ((Combination.ALL, part.all_), (Combination.ANY, part.any_), (Combination.AGREE, part.agree))
    combination, members = next((form, members) for form, members in forms if members is not None)
    return Compound(part.id, combination, tuple(_logic(member, known) for member in members))


def _condition(text: str) -> Condition:
    condition = parse_condition(text)
    for name in condition.names:
        if name not in INPUTS:
            raise ExpressionError(f"{name!r} is no known input")
    kinds = {INPUTS[name].kind for name in condition.names}
    wanted = {"in": {InputKind.WORD}, "yes": {InputKind.YES_NO}}.get(condition.comparator, {InputKind.NUMBER})
    if kinds - wanted or not kinds:
        raise ExpressionError(f"{text!r} compares inputs of the wrong kind")
    strange = [word for word in condition.words if word not in INPUTS[condition.names[0]].words]
    if strange:
        raise ExpressionError(f"{strange[0]!r} is no value of {condition.names[0]}")
    return condition
