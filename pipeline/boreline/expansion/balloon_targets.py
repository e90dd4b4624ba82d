"""A laboratory's own table: which stent area to reach after which balloon."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

from boreline.errors import CHECK_TEXT, InputRefused
from boreline.expansion.criteria import Comparison, Rule
from boreline.expansion.expressions import parse_condition
from boreline.expansion.inputs import Quantity, check_value

_DIAMETER, _AREA = "balloon_diameter_mm", "target_area_mm2"
_SAME_BALLOON_MM = 1e-6


def read_balloon_targets(path: Path) -> dict[float, float]:
    """Balloon diameter in mm -> stent area to reach in mm2.

    Raises
    ------
    InputRefused
        Missing columns, no rows, a size twice, or a number outside its sensible range.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as failure:
        raise InputRefused(f"the balloon table cannot be read ({failure})", file=path, remedy=CHECK_TEXT) from None
    if not rows:
        raise InputRefused("the balloon table is empty", file=path, remedy=f"columns: {_DIAMETER},{_AREA}")
    targets: dict[float, float] = {}
    for line, row in enumerate(rows, start=2):
        try:
            diameter, area = float(row[_DIAMETER] or ""), float(row[_AREA] or "")
        except (KeyError, TypeError, ValueError):
            raise InputRefused(
                f"line {line} is no pair of numbers", file=path, remedy=f"columns: {_DIAMETER},{_AREA}"
            ) from None
        check_value("balloon_diameter_mm", diameter, file=str(path))
        check_value("balloon_target_mm2", area, file=str(path))
        if diameter in targets:
            raise InputRefused(
                f"line {line} repeats the balloon of {diameter:g} mm", file=path, remedy="keep one line per balloon"
            )
        targets[diameter] = area
    return targets


def balloon_table_rule(path: Path) -> Rule:
    """The rule that compares the stent area with the table's entry for the balloon used."""
    condition = parse_condition("msa_mm2 >= balloon_target_mm2")
    title = "stent area at least what the laboratory's own table asks for with this balloon"
    return Rule("balloon-table", title, Comparison("balloon-table", condition, "mm2"), f"own table {path.name}")


def target_for(balloon_mm: float | None, targets: Mapping[float, float]) -> dict[str, Quantity]:
    """The input of `balloon_table_rule`: empty when the table has no such balloon (never interpolated)."""
    for diameter, area in targets.items():
        if balloon_mm is not None and abs(diameter - balloon_mm) < _SAME_BALLOON_MM:
            return {"balloon_target_mm2": Quantity(area)}
    return {}
