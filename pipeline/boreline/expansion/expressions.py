"""The small expression language of criterion files: arithmetic and one comparison, nothing else.

    msa_mm2 >= 0.70 * pi * (balloon_diameter_mm / 2) ** 2
    100 * msa_mm2 / mean(proximal_lumen_mm2, distal_lumen_mm2) > 80
    dissection_depth in ("none", "intimal")
    left_main

Allowed: numbers, names of inputs, ``pi``, ``+ - * / **``, parentheses, ``min``, ``max``, ``mean``, one of
``> >= < <=`` or ``in (words)``. Text is parsed into a tree whose every node is checked against this list; nothing
is ever executed. A missing number is NaN and makes every expression that uses it NaN.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

Value = Any
"""A float, an array of draws, a word, a yes/no, or NaN for a missing number."""

MAX_LENGTH = 300
SAME = 1e-12
"""Two sides closer than this (relative) are equal: 0.9 x 7.0 and 6.3 must not differ by binary rounding."""


class ExpressionError(ValueError):
    """Text outside the language; the message is one clause."""


def _mean(*values: Value) -> Value:
    return sum(values) / len(values)


def _pairwise(step: Callable[[Value, Value], Value]) -> Callable[..., Value]:
    def fold(*values: Value) -> Value:
        result = values[0]
        for value in values[1:]:
            result = step(result, value)
        return result

    return fold


_ARITHMETIC: dict[type[ast.operator], Callable[[Value, Value], Value]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
    ast.Pow: np.power,
}
# numpy's minimum and maximum keep NaN: a missing reference is never replaced by the other side's value.
_FUNCTIONS: dict[str, Callable[..., Value]] = {
    "min": _pairwise(np.minimum),
    "max": _pairwise(np.maximum),
    "mean": _mean,
}
_COMPARATORS: dict[type[ast.cmpop], str] = {ast.Gt: ">", ast.GtE: ">=", ast.Lt: "<", ast.LtE: "<="}


@dataclass(frozen=True, slots=True)
class Arithmetic:
    """A checked arithmetic expression."""

    text: str
    names: tuple[str, ...]
    tree: ast.expr

    def evaluate(self, values: Mapping[str, Value]) -> Value:
        """Its value; draws broadcast; NaN when an input is NaN or a division is undefined."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return _evaluate(self.tree, values)


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison: numbers (`right`), words (`words`), or a plain yes/no input (neither).

    `comparator` is one of ``> >= < <= in yes``.
    """

    text: str
    names: tuple[str, ...]
    left: Arithmetic
    comparator: str
    right: Arithmetic | None = None
    words: tuple[str, ...] = ()

    def truth(self, values: Mapping[str, Value]) -> tuple[Value, Value]:
        """(yes, no) as booleans or boolean arrays; both false where an input is missing."""
        if self.comparator in {"in", "yes"}:
            value = values[self.left.text]
            if isinstance(value, float):  # missing
                return np.False_, np.False_
            yes = np.bool_(value in self.words if self.words else value)
            return yes, ~yes
        return self._compare(values)

    def sides(self, values: Mapping[str, Value]) -> tuple[Value, Value]:
        """Left and right side; the right side is NaN for words and yes/no inputs."""
        if self.right is None:
            return values[self.left.text], math.nan
        return self.left.evaluate(values), self.right.evaluate(values)

    def _compare(self, values: Mapping[str, Value]) -> tuple[Value, Value]:
        left, right = self.sides(values)
        known = np.isfinite(left) & np.isfinite(right)
        equal = np.abs(left - right) <= SAME * np.maximum(np.abs(left), np.abs(right))
        ahead = (left > right) if self.comparator in {">", ">="} else (left < right)
        yes = (ahead | equal) if self.comparator in {">=", "<="} else (ahead & ~equal)
        return known & yes, known & ~yes


def parse_condition(text: str) -> Condition:
    """Parse one comparison.

    Raises
    ------
    ExpressionError
        Anything outside the language.
    """
    tree = _parse(text)
    if isinstance(tree, ast.Name):
        left = _arithmetic(tree)
        return Condition(text, left.names, left, "yes")
    if not (isinstance(tree, ast.Compare) and len(tree.ops) == 1):
        raise ExpressionError(f"{text!r} is not one comparison")
    left, operator, right = _arithmetic(tree.left), tree.ops[0], tree.comparators[0]
    if isinstance(operator, ast.In):
        if not isinstance(tree.left, ast.Name):
            raise ExpressionError(f"{text!r}: 'in' needs the name of an input on its left")
        return Condition(text, left.names, left, "in", words=_words(right, text))
    if type(operator) not in _COMPARATORS:
        raise ExpressionError(f"{text!r}: compare with one of > >= < <= or in")
    threshold = _arithmetic(right)
    names = tuple(dict.fromkeys(left.names + threshold.names))
    return Condition(text, names, left, _COMPARATORS[type(operator)], threshold)


def _parse(text: str) -> ast.expr:
    if len(text) > MAX_LENGTH:
        raise ExpressionError(f"longer than {MAX_LENGTH} characters")
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise ExpressionError(f"{text!r} cannot be read") from None


def _arithmetic(tree: ast.expr) -> Arithmetic:
    names: dict[str, None] = {}
    _check(tree, names)
    return Arithmetic(ast.unparse(tree), tuple(names), tree)


def _words(tree: ast.expr, text: str) -> tuple[str, ...]:
    if isinstance(tree, ast.Tuple | ast.List) and tree.elts:
        constants = [item.value for item in tree.elts if isinstance(item, ast.Constant)]
        words = tuple(value for value in constants if isinstance(value, str))
        if len(words) == len(tree.elts):
            return words
    raise ExpressionError(f"{text!r}: 'in' needs a list of words in quotes on its right")


def _check(tree: ast.expr, names: dict[str, None]) -> None:
    """Refuse every node outside the language and collect the input names."""
    match tree:
        case ast.Constant(value=int() | float()) if not isinstance(tree.value, bool):
            return
        case ast.Name(id=name):
            if name != "pi":
                names[name] = None
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _ARITHMETIC:
            _check(left, names)
            _check(right, names)
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            _check(operand, names)
        case ast.Call(func=ast.Name(id=function), args=[_, *_] as arguments, keywords=[]) if function in _FUNCTIONS:
            for argument in arguments:
                _check(argument, names)
        case _:
            raise ExpressionError(f"{ast.unparse(tree)!r} is not part of the expression language")


def _evaluate(tree: ast.expr, values: Mapping[str, Value]) -> Value:
    match tree:
        case ast.Constant(value=number):
            return float(number)  # type: ignore[arg-type]  # _check let numbers pass only
        case ast.Name(id=name):
            return math.pi if name == "pi" else values[name]
        case ast.BinOp(left=left, op=operator, right=right):
            return _ARITHMETIC[type(operator)](_evaluate(left, values), _evaluate(right, values))
        case ast.UnaryOp(operand=operand):
            return np.negative(_evaluate(operand, values))
        case ast.Call(func=ast.Name(id=function), args=arguments):
            return _FUNCTIONS[function](*(_evaluate(argument, values) for argument in arguments))
    raise ExpressionError(f"{ast.unparse(tree)!r} is not part of the expression language")  # pragma: no cover
