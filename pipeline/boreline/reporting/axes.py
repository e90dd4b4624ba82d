"""Axes of the page's drawings: where a value lies on paper, round ticks, and path data of curves with gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from boreline.model import BoolArray, FloatArray, IntArray

WIDTH, LEFT, RIGHT = 960, 46, 82


@dataclass(frozen=True, slots=True)
class Abscissa:
    """What a drawing's horizontal axis is, and where each row of its table lies on it."""

    label: str
    unit: str
    values: FloatArray
    low: float
    high: float
    width: int = WIDTH

    @property
    def right(self) -> int:
        """Right end of the plot in the drawing."""
        return self.width - RIGHT

    def x(self, value: float | FloatArray) -> FloatArray:
        """Horizontal place in the drawing."""
        span = max(self.high - self.low, 1e-9)
        return LEFT + (np.asarray(value, dtype=float) - self.low) / span * (self.right - LEFT)


def abscissa_of(table: pd.DataFrame, *, width: int = WIDTH) -> Abscissa:
    """Millimetres when there are any, else seconds, else frame numbers."""
    for column, label, unit in (("position_mm", "distance from the distal end", "mm"), ("time_s", "time", "s")):
        if column in table and table[column].notna().any():
            values = table[column].to_numpy(dtype=float)
            return Abscissa(label, unit, values, float(np.nanmin(values)), float(np.nanmax(values)), width)
    values = table["frame"].to_numpy(dtype=float)
    return Abscissa("frame", "", values, float(values.min()), float(values.max()), width)


def ticks(low: float, high: float, most: int) -> list[float]:
    """At most `most` round values between two others."""
    span = max(high - low, 1e-9)
    step = 10.0 ** np.floor(np.log10(span / most))
    for factor in (1, 2, 5, 10):
        if span / (step * factor) <= most:
            step *= factor
            break
    first = np.ceil(low / step - 1e-9) * step
    return [float(np.round(first + i * step, 10)) for i in range(int((high - first) / step + 1e-9) + 1)]


def unbroken(where: BoolArray) -> list[IntArray]:
    """Runs of neighbouring true entries, as index arrays."""
    numbers = np.flatnonzero(where)
    if not numbers.size:
        return []
    return list(np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1))


def curve(x: FloatArray, y: FloatArray) -> str:
    """SVG path data through the points in their order, interrupted where either coordinate is NaN."""
    return "".join(
        "M" + "L".join(f"{x[i]:.1f} {y[i]:.1f}" for i in run) for run in unbroken(np.isfinite(x) & np.isfinite(y))
    )


def apart(wanted: Sequence[float], least: float = 14.0) -> list[float]:
    """Heights of labels, pushed down where they would overlap; in the order given."""
    placed = [0.0] * len(wanted)
    y = -np.inf
    for i in sorted(range(len(wanted)), key=lambda i: wanted[i]):
        y = max(wanted[i], y + least)
        placed[i] = y
    return placed
