"""The inputs that criteria may use: one registry with kind, unit, sensible range and meaning.

A value outside its range is refused, a missing one is NaN (or absent) and makes what needs it not assessable.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from boreline.errors import InputRefused
from boreline.model import FloatArray


class InputKind(StrEnum):
    """What a value of an input may be."""

    NUMBER = "number"
    WORD = "word"
    YES_NO = "yes_no"


@dataclass(frozen=True, slots=True)
class Input:
    """One input: numbers lie in (or at) `low`..`high`; `low` itself is allowed only when `from_low`."""

    name: str
    meaning: str
    kind: InputKind = InputKind.NUMBER
    unit: str = ""
    low: float = 0.0
    high: float = math.inf
    from_low: bool = False
    words: tuple[str, ...] = ()
    series: bool = False  # a list at equal steps is accepted; its maximum counts


def _area(name: str, meaning: str) -> Input:
    return Input(name, meaning, unit="mm2", high=200.0)


def _length(name: str, meaning: str, high: float, *, from_low: bool = False) -> Input:
    return Input(name, meaning, unit="mm", high=high, from_low=from_low)


DEPTHS = ("none", "intimal", "medial", "adventitial", "haematoma")
SIDES = ("none", "proximal", "distal", "both")
BALLOON_MIN_MM = 1.0
BALLOON_MAX_MM = 10.0

INPUTS: Mapping[str, Input] = {
    item.name: item
    for item in (
        _area("msa_mm2", "minimum stent area"),
        _area("proximal_lumen_mm2", "lumen area at the proximal reference"),
        _area("distal_lumen_mm2", "lumen area at the distal reference"),
        _area("proximal_eem_mm2", "EEM area at the proximal reference"),
        _area("distal_eem_mm2", "EEM area at the distal reference"),
        _area("msa_eem_mm2", "EEM area in the frame of the minimum stent area"),
        _area("proximal_entrance_lumen_mm2", "lumen area at the proximal entrance of the stent"),
        _length("stented_length_mm", "length of the stented segment", 200.0),
        Input(
            "balloon_diameter_mm",
            "nominal diameter of the last balloon",
            unit="mm",
            low=BALLOON_MIN_MM,
            high=BALLOON_MAX_MM,
            from_low=True,
        ),
        _area("balloon_target_mm2", "stent area that the laboratory's own table asks for with this balloon"),
        _length("msa_min_diameter_mm", "shortest diameter in the frame of the minimum stent area", 15.0),
        _length("msa_max_diameter_mm", "longest diameter in the frame of the minimum stent area", 15.0),
        Input(
            "proximal_edge_burden_pct",
            "largest plaque burden within 5 mm proximal of the stent",
            unit="%",
            high=100.0,
            from_low=True,
            series=True,
        ),
        Input(
            "distal_edge_burden_pct",
            "largest plaque burden within 5 mm distal of the stent",
            unit="%",
            high=100.0,
            from_low=True,
            series=True,
        ),
        _length("dissection_length_mm", "length of the edge dissection (0 = none)", 150.0, from_low=True),
        Input("dissection_arc_deg", "arc of the edge dissection (0 = none)", unit="deg", high=360.0, from_low=True),
        Input("dissection_depth", "deepest layer that the edge dissection reaches", InputKind.WORD, words=DEPTHS),
        Input("dissection_side", "edge at which the dissection lies", InputKind.WORD, words=SIDES),
        _area("effective_lumen_mm2", "true lumen beside the dissection's flap"),
        _length(
            "malapposition_mm", "largest distance from a strut to the wall (0 = fully apposed)", 10.0, from_low=True
        ),
        _length("malapposition_length_mm", "length over which struts stand clear of the wall", 200.0, from_low=True),
        Input("left_main", "the stent lies in the left main", InputKind.YES_NO),
        _area("lcx_ostium_mm2", "stent area at the ostium of the circumflex"),
        _area("lad_ostium_mm2", "stent area at the ostium of the anterior descending artery"),
        _area("confluence_mm2", "stent area at the confluence of the left main"),
        _area("left_main_mm2", "stent area in the proximal left main, above the confluence"),
        _area("left_main_distal_mm2", "stent area in the distal left main"),
    )
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One known input: its value as read and, with an uncertainty, its draws (shape (n_draws,))."""

    value: float | str | bool
    draws: FloatArray | None = None

    @property
    def sd(self) -> float | None:
        """Standard uncertainty, None without draws."""
        return None if self.draws is None else float(np.std(self.draws))


Quantities = Mapping[str, Quantity]


def check_value(name: str, value: Any, *, file: str | None = None) -> float | str | bool:
    """The value of one input in its right type.

    A list (where the input takes one) becomes its maximum: plaque burden at an edge is the largest over 5 mm.

    Raises
    ------
    InputRefused
        Unknown name, wrong kind, outside the sensible range.
    """
    item = INPUTS.get(name)
    if item is None:
        raise InputRefused("no such input", file=file, tag=name, remedy="'boreline rules' lists the inputs")
    if item.kind is InputKind.YES_NO:
        if not isinstance(value, bool):
            raise InputRefused(
                f"{value!r} is neither true nor false", file=file, tag=name, remedy="write true or false"
            )
        return value
    if item.kind is InputKind.WORD:
        if value not in item.words:
            raise InputRefused(
                f"{value!r} is not one of its words", file=file, tag=name, remedy=f"choose from {', '.join(item.words)}"
            )
        return str(value)
    if isinstance(value, list) and item.series:
        if not value:
            raise InputRefused("an empty list", file=file, tag=name, remedy="give its values, or leave the key out")
        return max(_number(item, element, file) for element in value)
    return _number(item, value, file)


def _number(item: Input, value: Any, file: str | None) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputRefused(
            f"{value!r} is no number",
            file=file,
            tag=item.name,
            remedy=f"give a number without its unit: {item.meaning}",
        )
    above = value >= item.low if item.from_low else value > item.low
    if not (math.isfinite(value) and above and value <= item.high):
        low = f"{'at least' if item.from_low else 'above'} {item.low:g}"
        limits = f"{low} and at most {item.high:g} {item.unit}"
        raise InputRefused(
            f"{value!r} is outside the sensible range ({limits})",
            file=file,
            tag=item.name,
            remedy="correct it, or leave it out where it is not known",
        )
    return float(value)


_SMALLER_THAN = (
    ("proximal_lumen_mm2", "proximal_eem_mm2", "the lumen lies inside the EEM"),
    ("distal_lumen_mm2", "distal_eem_mm2", "the lumen lies inside the EEM"),
    ("msa_mm2", "msa_eem_mm2", "the stent lies inside the EEM"),
    ("msa_min_diameter_mm", "msa_max_diameter_mm", "the shortest diameter cannot exceed the longest"),
)


def check_together(values: Mapping[str, float | str | bool], *, file: str | None = None) -> None:
    """Refuse values that contradict each other.

    Raises
    ------
    InputRefused
        A lumen above its EEM, diameters the wrong way round, a dissection that is absent yet has a size.
    """
    for small, large, why in _SMALLER_THAN:
        if small in values and large in values and values[small] > values[large]:  # type: ignore[operator]
            raise InputRefused(
                f"{values[small]:g} exceeds {large} = {values[large]:g}: {why}",
                file=file,
                tag=small,
                remedy="correct one of the two",
            )
    sizes = [values[name] for name in ("dissection_length_mm", "dissection_arc_deg") if name in values]
    if values.get("dissection_depth") == "none" and any(sizes):
        raise InputRefused(
            "'none', yet the dissection has a length or an arc",
            file=file,
            tag="dissection_depth",
            remedy="state its depth, or set length and arc to 0",
        )
    if values.get("dissection_depth", "none") != "none" and any(size == 0 for size in sizes):
        raise InputRefused(
            f"{values['dissection_depth']!r}, yet its length or arc is 0",
            file=file,
            tag="dissection_depth",
            remedy="state its size, or the depth 'none'",
        )


def imply(values: Mapping[str, float | str | bool]) -> dict[str, float | str | bool]:
    """`values` plus what follows from them: without a dissection its length and arc are 0 and it has no side."""
    out = dict(values)
    if "dissection_depth" not in out and (out.get("dissection_length_mm") == 0 or out.get("dissection_arc_deg") == 0):
        out["dissection_depth"] = "none"
    if out.get("dissection_depth") == "none":
        out |= {"dissection_length_mm": 0.0, "dissection_arc_deg": 0.0, "dissection_side": "none"}
    if out.get("malapposition_mm") == 0:
        out.setdefault("malapposition_length_mm", 0.0)
    return out
