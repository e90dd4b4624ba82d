"""Before and after on one page: the runs of a vessel laid over each other, and the gain at every position."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from boreline.errors import InputRefused
from boreline.expansion.alignment import Alignment, align_by_fiducials, align_dynamically
from boreline.model import FloatArray
from boreline.profile.record import Profile, profile_from_table
from boreline.reporting.answers import Answer
from boreline.reporting.axes import LEFT, Abscissa, apart, curve, ticks, unbroken

TOP, PLOT_HEIGHT, GAP, GAIN_HEIGHT, BELOW = 22, 230, 26, 90, 32
_MOST_ROWS = 16


@dataclass(frozen=True, slots=True)
class Curve:
    """A lumen or stent curve: `kind` is lumen or stent, `age` 0 for the latest run, 1 for the one before ..."""

    name: str
    kind: str
    age: int
    line: str
    label_y: float


@dataclass(frozen=True, slots=True)
class ComparisonFigure:
    """Everything that the template draws: areas above, gain below, one axis."""

    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int
    gain_top: int
    gain_bottom: int
    zero_y: float
    curves: tuple[Curve, ...]
    gain: str
    loss: str
    stent: tuple[tuple[float, float], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    gain_ticks: tuple[tuple[float, str], ...]
    x_label: str
    description: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """The runs of one vessel compared; positions are those of the latest.

    Attributes
    ----------
    names
        Of the runs, earliest first.
    rows
        (position_mm, lumen area of each run, gain from the first to the last, stent area); NaN where not known.
    methods
        How each earlier run was laid over the latest, in words.
    """

    names: tuple[str, ...]
    figure: ComparisonFigure
    rows: tuple[tuple[float, tuple[float, ...], float, float], ...]
    answers: tuple[Answer, ...]
    methods: tuple[str, ...]


def compare_runs(
    runs: Sequence[tuple[str, pd.DataFrame | None]], fiducials: Sequence[tuple[float, float]] = ()
) -> Comparison | str:
    """Lay the runs over the latest; where that cannot be done, the reason in words.

    Parameters
    ----------
    runs
        (name, `profile.csv`) of each run, earliest first; None for a run without positions.
    fiducials
        Places (in the first run, in the last), mm, that the operator identified in both.
    """
    without = [name for name, table in runs if table is None]
    if without:
        return f"no millimetres along the vessel in: {', '.join(without)}"
    try:
        profiles = [profile_from_table(table) for _, table in runs if table is not None]
        last = profiles[-1]
        aligned = [
            align_by_fiducials(profile, last, fiducials)
            if fiducials and profile is profiles[0]
            else align_dynamically(profile, last)
            for profile in profiles[:-1]
        ]
    except InputRefused as refusal:
        return str(refusal.problem)
    names = tuple(name for name, _ in runs)
    place_mm = last.position_mm
    lumens = [_on(place_mm, profile, alignment) for profile, alignment in zip(profiles[:-1], aligned, strict=True)]
    lumens.append(last.lumen_area_mm2)
    gain = lumens[-1] - lumens[0]
    return Comparison(
        names,
        _figure(names, last, lumens, gain),
        _rows(last, lumens, gain),
        _answers(names, profiles, last, gain),
        tuple(
            f"The run “{name}” is laid over “{names[-1]}” by {alignment.method}: {_residual(alignment)}"
            for name, alignment in zip(names[:-1], aligned, strict=True)
        ),
    )


def _on(place_mm: FloatArray, earlier: Profile, alignment: Alignment) -> FloatArray:
    """The earlier run's lumen areas at places of the latest; NaN where the two do not overlap."""
    there_mm = np.interp(place_mm, alignment.after_mm, alignment.before_mm, left=np.nan, right=np.nan)
    areas = np.interp(there_mm, earlier.position_mm, earlier.lumen_area_mm2)
    return np.where(np.isfinite(there_mm), areas, np.nan)


def _residual(alignment: Alignment) -> str:
    words = f"aligned areas differ by {alignment.residual_mm2:.2f} mm² (root mean square)"
    if np.isfinite(alignment.residual_mm):
        words += f", places left out in turn are missed by {alignment.residual_mm:.1f} mm"
    return words


def _figure(names: Sequence[str], last: Profile, lumens: Sequence[FloatArray], gain: FloatArray) -> ComparisonFigure:
    place_mm = last.position_mm
    axis = Abscissa("distance from the distal end", "mm", place_mm, float(place_mm[0]), float(place_mm[-1]))
    x = axis.x(place_mm)
    ages = range(len(names) - 1, -1, -1)
    drawn = [("lumen", name, age, area) for name, age, area in zip(names, ages, lumens, strict=True)]
    if np.isfinite(last.stent_area_mm2).any():
        drawn.append(("stent", "stent", 0, last.stent_area_mm2))
    top_mm2 = 1.06 * max((float(np.nanmax(a)) for *_, a in drawn if np.isfinite(a).any()), default=1.0)
    bottom = TOP + PLOT_HEIGHT
    heights = [bottom - PLOT_HEIGHT * area / top_mm2 for *_, area in drawn]
    known = [i for i, y in enumerate(heights) if np.isfinite(y).any()]
    labels = apart([float(heights[i][np.flatnonzero(np.isfinite(heights[i]))[-1]]) for i in known])
    gain_top, gain_bottom = bottom + GAP, bottom + GAP + GAIN_HEIGHT
    low, high = min(0.0, _extreme(gain, np.min)), max(0.0, _extreme(gain, np.max), 0.5)

    def gain_y(value: FloatArray | float) -> FloatArray:
        return gain_bottom - GAIN_HEIGHT * (np.asarray(value, dtype=float) - low) / (high - low)

    return ComparisonFigure(
        width=axis.width,
        height=gain_bottom + BELOW,
        left=LEFT,
        right=axis.right,
        top=TOP,
        bottom=bottom,
        gain_top=gain_top,
        gain_bottom=gain_bottom,
        zero_y=float(gain_y(0.0)),
        curves=tuple(
            Curve(drawn[i][1], drawn[i][0], drawn[i][2], curve(x, heights[i]), y)
            for i, y in zip(known, labels, strict=True)
        ),
        gain=_area(x, gain_y(np.maximum(gain, 0.0)), float(gain_y(0.0))),
        loss=_area(x, gain_y(np.minimum(gain, 0.0)), float(gain_y(0.0))),
        stent=tuple(
            (float(x[run[0]]), max(1.0, float(x[run[-1]] - x[run[0]])))
            for run in unbroken(np.isfinite(last.stent_area_mm2))
        ),
        x_ticks=tuple((float(axis.x(v)), f"{v:g}") for v in ticks(axis.low, axis.high, 12)),
        y_ticks=tuple((float(bottom - PLOT_HEIGHT * v / top_mm2), f"{v:g}") for v in ticks(0.0, top_mm2, 6)),
        gain_ticks=tuple((float(gain_y(v)), f"{v:+g}" if v else "0") for v in ticks(low, high, 4)),
        x_label=f"{axis.label} of the run {names[-1]} (mm)",
        description=f"Lumen areas of {len(names)} runs along the vessel, and the gain from {names[0]} to {names[-1]}.",
    )


def _extreme(values: FloatArray, which: Callable[[FloatArray], np.floating[Any]]) -> float:
    known = values[np.isfinite(values)]
    return float(which(known)) if known.size else 0.0


def _area(x: FloatArray, y: FloatArray, zero_y: float) -> str:
    """Path data of the areas between a curve and the line of no change."""
    out = []
    for run in unbroken(np.isfinite(y)):
        line = "L".join(f"{x[i]:.1f} {y[i]:.1f}" for i in run)
        out.append(f"M{x[run[0]]:.1f} {zero_y:.1f}L{line}L{x[run[-1]]:.1f} {zero_y:.1f}Z")
    return "".join(out)


def _rows(
    last: Profile, lumens: Sequence[FloatArray], gain: FloatArray
) -> tuple[tuple[float, tuple[float, ...], float, float], ...]:
    places = ticks(float(last.position_mm[0]), float(last.position_mm[-1]), _MOST_ROWS)
    nearest = [int(np.argmin(np.abs(last.position_mm - place))) for place in places]
    place_mm, stent_mm2 = last.position_mm, last.stent_area_mm2
    return tuple(
        (float(place_mm[i]), tuple(float(area[i]) for area in lumens), float(gain[i]), float(stent_mm2[i]))
        for i in nearest
    )


def _answers(names: Sequence[str], profiles: Sequence[Profile], last: Profile, gain: FloatArray) -> tuple[Answer, ...]:
    smallest = [_extreme(profile.lumen_area_mm2, np.min) for profile in profiles]
    out = [
        Answer(
            "Smallest lumen along the vessel",
            " → ".join(f"{area:.2f}" for area in smallest) + " mm²",
            ", then ".join(names),
        )
    ]
    stented = np.isfinite(last.stent_area_mm2) & np.isfinite(gain)
    compared = stented if stented.any() else np.isfinite(gain)
    if compared.any():
        best = int(np.nanargmax(np.where(compared, gain, -np.inf)))
        least = int(np.nanargmin(np.where(compared, gain, np.inf)))
        where = "within the stent" if stented.any() else "over the compared stretch"
        out.append(
            Answer(
                f"Mean lumen gain {where}",
                f"{gain[compared].mean():+z.2f} mm²",
                f"from {gain[least]:+z.2f} at {last.position_mm[least]:.1f} mm to {gain[best]:+z.2f} at "
                f"{last.position_mm[best]:.1f} mm",
            )
        )
    return tuple(out)
