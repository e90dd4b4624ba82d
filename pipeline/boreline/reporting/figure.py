"""The profile as inline SVG: areas along the vessel, what bears on them, and the longitudinal cut on the same scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pandas as pd

from boreline.flags import NOT_VESSEL, Flag, parse_flags
from boreline.model import BoolArray, FloatArray, GreyImage
from boreline.reporting.axes import LEFT, Abscissa, apart, ticks, unbroken
from boreline.reporting.cut import CutView
from boreline.reporting.pictures import jpeg_uri

TOP, PLOT_HEIGHT, LANE, CUT_HEIGHT = 30, 250, 11, 120
_MOST_POINTS = 1200
_CUT_COLUMNS = 1400


@dataclass(frozen=True, slots=True)
class Series:
    """One area curve: path data of the line and of its band of one standard uncertainty."""

    name: str
    line: str
    band: str
    label_y: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place; `x` in the drawing, `row` staggers labels."""

    name: str
    x: float
    row: int


@dataclass(frozen=True, slots=True)
class Lane:
    """Stretches under the plot that share a meaning, each (x, width)."""

    name: str
    kind: str
    y: float
    stretches: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """Everything that the template draws."""

    width: int
    height: int
    left: int
    right: float
    plot_top: int
    plot_bottom: int
    series: tuple[Series, ...]
    marks: tuple[Mark, ...]
    lanes: tuple[Lane, ...]
    outside: tuple[tuple[float, float], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    x_label: str
    cut: str
    cut_top: float
    cut_height: int
    cut_lines: tuple[tuple[str, str], ...]
    description: str


AREAS = (("lumen", "lumen_area_mm2"), ("eem", "eem_area_mm2"), ("stent", "stent_area_mm2"))


def draw_figure(
    table: pd.DataFrame,
    axis: Abscissa,
    frames: pd.DataFrame,
    marks: Sequence[tuple[str, int]],
    cut: CutView | None,
) -> Figure:
    """Draw the profile.

    Parameters
    ----------
    table
        The profile, or the frames of a run without positions.
    axis
        Where its rows lie.
    frames
        The frames table, for the cut.
    marks
        (name, 0-based row of `table`).
    cut
        The longitudinal cut with the borders on it, or None.
    """
    plot_bottom = TOP + PLOT_HEIGHT
    top_mm2 = _ceiling(table)
    lanes = _lanes(table, axis, plot_bottom + 34)
    cut_top = plot_bottom + 34 + LANE * len(lanes) + 6
    shown = None if cut is None else _cut_on_axis(cut.image, frames, axis)
    flags = [parse_flags(cell) for cell in table["flags"].fillna("")]
    outside = np.array([bool(words & NOT_VESSEL) for words in flags], dtype=bool)
    return Figure(
        width=axis.width,
        height=round(cut_top + (0 if shown is None else CUT_HEIGHT) + 4),
        left=LEFT,
        right=axis.right,
        plot_top=TOP,
        plot_bottom=plot_bottom,
        series=_apart(tuple(_series(table, axis, top_mm2))),
        marks=_placed(
            [(name, float(axis.x(axis.values[row]))) for name, row in marks if np.isfinite(axis.values[row])]
        ),
        lanes=lanes,
        outside=_stretches(outside, axis),
        x_ticks=tuple((float(axis.x(v)), f"{v:g}") for v in ticks(axis.low, axis.high, axis.width // 80)),
        y_ticks=tuple((_y(v, top_mm2), f"{v:g}") for v in ticks(0.0, top_mm2, 6)),
        x_label=f"{axis.label} ({axis.unit})" if axis.unit else axis.label,
        cut="" if shown is None else jpeg_uri(shown, 78),
        cut_top=cut_top,
        cut_height=CUT_HEIGHT,
        cut_lines=() if cut is None else _cut_lines(cut, frames, axis, cut_top),
        description=_description(table, axis),
    )


def _ceiling(table: pd.DataFrame) -> float:
    highest = max((float(table[column].max()) for _, column in AREAS if table[column].notna().any()), default=1.0)
    return 1.06 * highest if highest > 0 else 1.0


def _y(value: float | FloatArray, top_mm2: float) -> float:
    return float(TOP + PLOT_HEIGHT * (1 - np.asarray(value) / top_mm2))


def _series(table: pd.DataFrame, axis: Abscissa, top_mm2: float) -> Iterator[Series]:
    step = max(1, len(table) // _MOST_POINTS)
    for name, column in AREAS:
        area = table[column].to_numpy(dtype=float)
        if not np.isfinite(area).any():
            continue
        sd = table[column.replace("_mm2", "_sd_mm2")].to_numpy(dtype=float)
        x = axis.x(axis.values)
        y = TOP + PLOT_HEIGHT * (1 - area / top_mm2)
        sd_px = PLOT_HEIGHT * np.nan_to_num(sd) / top_mm2
        order = np.argsort(x, kind="stable")[::step]
        line, band = [], []
        for run in unbroken(np.isfinite(y[order]) & np.isfinite(x[order])):
            rows = order[run]
            line.append("M" + "L".join(f"{x[i]:.1f} {y[i]:.1f}" for i in rows))
            upper = "L".join(f"{x[i]:.1f} {y[i] - sd_px[i]:.1f}" for i in rows)
            lower = "L".join(f"{x[i]:.1f} {y[i] + sd_px[i]:.1f}" for i in rows[::-1])
            band.append(f"M{upper}L{lower}Z")
        last = int(order[np.flatnonzero(np.isfinite(y[order]))[-1]])
        yield Series(name, "".join(line), "".join(band), float(y[last]))


def _apart(series: tuple[Series, ...]) -> tuple[Series, ...]:
    """Labels at the curves' ends, none on top of another."""
    heights = apart([one.label_y for one in series])
    return tuple(replace(one, label_y=y) for one, y in zip(series, heights, strict=True))


def _placed(marks: list[tuple[str, float]]) -> tuple[Mark, ...]:
    """Marks from left to right; a label that would touch its left neighbour goes one row down."""
    out: list[Mark] = []
    ends = [-np.inf, -np.inf, -np.inf]
    for name, x in sorted(marks, key=lambda mark: mark[1]):
        row = next((i for i, end in enumerate(ends) if end < x), 0)
        ends[row] = x + 6.2 * len(name) + 10
        out.append(Mark(name, x, row))
    return tuple(out)


def _lanes(table: pd.DataFrame, axis: Abscissa, top: float) -> tuple[Lane, ...]:
    flags = [parse_flags(cell) for cell in table["flags"].fillna("")]

    def flagged(*words: Flag) -> BoolArray:
        return np.array([any(word in cell for word in words) for cell in flags], dtype=bool)

    shown = (
        ("stent", "stent", flagged(Flag.STENT)),
        ("malapposed", "malapposed", flagged(Flag.MALAPPOSED)),
        ("calcium", "calcium", np.nan_to_num(table["calcium_arc_deg"].to_numpy(dtype=float)) > 0),
        ("branch", "branch", flagged(Flag.BRANCH)),
        ("EEM hidden", "hidden", flagged(Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW)),
        ("look here first", "doubtful", flagged(Flag.LUMEN_DOUBTFUL, Flag.EEM_DOUBTFUL)),
        ("passed twice", "revisited", _true(table, "revisited")),
    )
    present = [(name, kind, where) for name, kind, where in shown if where.any()]
    return tuple(
        Lane(name, kind, top + LANE * i, _stretches(where, axis)) for i, (name, kind, where) in enumerate(present)
    )


def _true(table: pd.DataFrame, column: str) -> BoolArray:
    if column not in table:
        return np.zeros(len(table), dtype=np.bool_)
    return table[column].fillna(value=False).to_numpy(dtype=bool)


def _stretches(where: BoolArray, axis: Abscissa) -> tuple[tuple[float, float], ...]:
    known = np.isfinite(axis.values)
    order = np.argsort(np.where(known, axis.values, np.inf), kind="stable")
    order = order[known[order]]
    if order.size == 0:
        return ()
    half = (axis.high - axis.low) / max(len(order) - 1, 1) / 2
    out = []
    for run in unbroken(where[order]):
        begin, end = axis.x(axis.values[order[run[0]]] - half), axis.x(axis.values[order[run[-1]]] + half)
        begin, end = np.clip([begin, end], LEFT, axis.right)
        out.append((float(begin), max(1.0, float(end - begin))))
    return tuple(out)


def _cut_lines(cut: CutView, frames: pd.DataFrame, axis: Abscissa, top: float) -> tuple[tuple[str, str], ...]:
    """The borders where the cut meets them: (structure, path data), two curves each."""
    place = axis.x(_place_of_frames(frames, axis))
    order = np.argsort(place, kind="stable")[:: max(1, len(place) // _MOST_POINTS)]
    out = []
    for structure, rows in cut.borders:
        y = top + CUT_HEIGHT * (rows + 0.5) / cut.image.shape[0]
        stretches = unbroken(np.isfinite(y[order]) & (place[order] >= LEFT) & (place[order] <= axis.right))
        out += [(structure, "M" + "L".join(f"{place[i]:.1f} {y[i]:.1f}" for i in order[run])) for run in stretches]
    return tuple(out)


def _place_of_frames(frames: pd.DataFrame, axis: Abscissa) -> FloatArray:
    column = {"mm": "position_mm", "s": "time_s"}.get(axis.unit, "frame")
    return frames[column].to_numpy(dtype=float)


def _cut_on_axis(cut: GreyImage, frames: pd.DataFrame, axis: Abscissa) -> GreyImage:
    """The cut's columns laid out on the figure's axis: each column of the picture takes the nearest frame's line."""
    place = _place_of_frames(frames, axis)[: cut.shape[1]]
    known = np.flatnonzero(np.isfinite(place))
    order = known[np.argsort(place[known], kind="stable")]
    width = min(_CUT_COLUMNS, max(2, len(order)))
    wanted = np.linspace(axis.low, axis.high, width)
    right = np.clip(np.searchsorted(place[order], wanted), 1, max(len(order) - 1, 1))
    left = right - 1
    if len(order) < 2:
        return cut
    nearer_left = wanted - place[order[left]] <= place[order[right]] - wanted
    chosen = order[np.where(nearer_left, left, right)]
    return np.asarray(cv2.resize(cut[:, chosen], (width, min(160, cut.shape[0]))), dtype=np.uint8)


def _description(table: pd.DataFrame, axis: Abscissa) -> str:
    lumen = table["lumen_area_mm2"]
    if not lumen.notna().any():
        return "No area could be measured."
    return (
        f"Lumen area from {lumen.min():.2f} to {lumen.max():.2f} square millimetres "
        f"over {axis.high - axis.low:.1f} {axis.unit or 'frames'}."
    )
