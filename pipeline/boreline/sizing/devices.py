"""The devices that can be chosen: the user's own list, and rounding to it.

Diameters are never rounded to a grid: 3.76 mm "down to the nearest quarter" is 3.75 mm, but 3.5 mm when no device of
3.75 mm exists, which is how the published example came about. Always round to the list.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from boreline.errors import CHECK_TEXT, InputRefused

_COLUMNS = ("diameter_mm", "length_mm", "post_dilatation_limit_mm")
_DIAMETER_RANGE_MM = (1.0, 10.0)
_LENGTH_RANGE_MM = (4.0, 120.0)
SAME_MM = 1e-6


@dataclass(frozen=True, slots=True, order=True)
class Device:
    """One device: nominal diameter and length; the largest diameter it may be post-dilated to, None if not stated."""

    diameter_mm: float
    length_mm: float
    post_dilatation_limit_mm: float | None = None


def common_sizes() -> tuple[Device, ...]:
    """A neutral list of common sizes (common practice, no source); no post-dilatation limits are assumed."""
    diameters = (2.25, 2.5, 2.75, 3.0, 3.25, 3.5, 3.75, 4.0, 4.5, 5.0)
    lengths = (8.0, 12.0, 15.0, 18.0, 22.0, 26.0, 30.0, 34.0, 38.0, 48.0)
    return tuple(Device(diameter, length) for diameter in diameters for length in lengths)


def read_devices(path: Path) -> tuple[Device, ...]:
    """The user's devices, from a CSV with diameter_mm, length_mm and, optionally, post_dilatation_limit_mm.

    Raises
    ------
    InputRefused
        The file cannot be read, lacks a column, is empty, or holds a number that is no size in millimetres.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            header = [name.strip() for name in reader.fieldnames or ()]
            reader.fieldnames = header
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as failure:
        raise InputRefused(f"the device list cannot be read ({failure})", file=path, remedy=CHECK_TEXT) from None
    for name in _COLUMNS[:2]:
        if name not in header:
            raise InputRefused("the column is missing", file=path, tag=name, remedy=f"columns: {','.join(_COLUMNS)}")
    if not rows:
        raise InputRefused("the device list is empty", file=path, remedy=f"one device per line: {','.join(_COLUMNS)}")
    return tuple(sorted({_device(row, line, path) for line, row in enumerate(rows, start=2)}))


def _device(row: dict[str, str | None], line: int, path: Path) -> Device:
    diameter = _size(row, "diameter_mm", _DIAMETER_RANGE_MM, line, path)
    length = _size(row, "length_mm", _LENGTH_RANGE_MM, line, path)
    limit = None
    if (row.get("post_dilatation_limit_mm") or "").strip():
        limit = _size(row, "post_dilatation_limit_mm", _DIAMETER_RANGE_MM, line, path)
        if limit < diameter:
            raise InputRefused(
                f"line {line}: {limit:g} mm is below the nominal diameter of {diameter:g} mm",
                file=path,
                tag="post_dilatation_limit_mm",
                remedy="correct one of the two, or leave the limit empty",
            )
    return Device(diameter, length, limit)


def _size(row: dict[str, str | None], name: str, limits: tuple[float, float], line: int, path: Path) -> float:
    text = (row.get(name) or "").strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    low, high = limits
    if not low <= value <= high:
        raise InputRefused(
            f"line {line}: {text!r} is no size in millimetres",
            file=path,
            tag=name,
            remedy=f"give a number from {low:g} to {high:g}",
        )
    return value


class Rounding(StrEnum):
    """How a measured diameter becomes a device diameter."""

    UP = "up"  # to a size 0 to 0.25 mm above
    DOWN = "down"
    NEAREST = "nearest"  # ties down


UP_WITHIN_MM = 0.25
ROUNDING_WORDS = {
    Rounding.UP: "up by 0 to 0.25 mm, to the device list",
    Rounding.DOWN: "down to the device list",
    Rounding.NEAREST: "nearest in the device list, ties down",
}


@dataclass(frozen=True, slots=True)
class Rounded:
    """The size chosen by a rounding rule (None = no size within the rule) and the neighbours in the list."""

    diameter_mm: float | None
    below_mm: float | None
    above_mm: float | None


def round_to_list(measured_mm: float, diameters_mm: Iterable[float], rounding: Rounding) -> Rounded:
    """Round a measured diameter to the available ones.

    `below_mm` and `above_mm` are the neighbours (at or below, at or above). A measurement outside the list has no
    size on that side and none is invented.
    """
    sizes = sorted(set(diameters_mm))
    below = max((size for size in sizes if size <= measured_mm + SAME_MM), default=None)
    above = min((size for size in sizes if size >= measured_mm - SAME_MM), default=None)
    if rounding is Rounding.DOWN:
        return Rounded(below, below, above)
    if rounding is Rounding.UP:
        within = above is not None and above - measured_mm <= UP_WITHIN_MM + SAME_MM
        return Rounded(above if within else None, below, above)
    if below is None or above is None:
        return Rounded(above if below is None else below, below, above)
    return Rounded(above if above - measured_mm < measured_mm - below - SAME_MM else below, below, above)


OVERLAP_MM = (1.0, 3.0)
"""Usual overlap of two devices (from memory; the maker's instructions rule)."""


@dataclass(frozen=True, slots=True)
class LengthChoice:
    """Device lengths for a stretch: one, or two that overlap; empty when even two of the longest are too short.

    `over_mm` is how far the devices reach beyond the stretch, at the proximal end when the distal edge is kept.
    """

    lengths_mm: tuple[float, ...]
    over_mm: float
    overlap_mm: float = 0.0


def choose_lengths(length_mm: float, lengths_mm: Iterable[float]) -> LengthChoice:
    """The next device length up (equal is enough); two devices where the longest is too short.

    Two devices overlap by 2 mm, the middle of the usual range; of all sufficient pairs the one with the least
    excess, then with the longer distal device, is taken. The first is the distal one.
    """
    sizes = sorted(set(lengths_mm))
    for size in sizes:
        if size >= length_mm - SAME_MM:
            return LengthChoice((size,), max(size - length_mm, 0.0))
    overlap = sum(OVERLAP_MM) / 2
    pairs = [(a, b) for a in sizes for b in sizes if a >= b and a + b - overlap >= length_mm - SAME_MM]
    if not pairs:
        return LengthChoice((), math.nan)
    first, second = min(pairs, key=lambda pair: (pair[0] + pair[1], -pair[0]))
    return LengthChoice((first, second), max(first + second - overlap - length_mm, 0.0), overlap)
