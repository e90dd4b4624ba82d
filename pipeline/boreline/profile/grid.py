"""`profile.csv`: the frames laid out along the vessel on a regular millimetre grid.

Assumes a frames table with positions. A transducer that stops does not lengthen the vessel and one that goes back
does not double a lesion: every grid point takes the median of all frames that lie within half a step of it. Between
frames that are further apart than a step (gated or fast pullbacks) areas are interpolated linearly, up to
`MAX_GAP_MM`; beyond that the grid point is empty. An EEM that could not be measured stays empty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from boreline.columns import PROFILE
from boreline.flags import NOT_VESSEL, join_flags, parse_flags
from boreline.model import FloatArray, IntArray

STEP_MM = 0.1
MAX_GAP_MM = 2.0
"""No published limit is known; the longest gap bridged by interpolation (own choice)."""
LEFT_MM = 0.3
"""A place counts as revisited once the transducer has been further away than this in between."""

_INTERPOLATED = (
    "lumen_area_mm2",
    "lumen_area_sd_mm2",
    "lumen_min_diameter_mm",
    "lumen_max_diameter_mm",
    "eem_area_mm2",
    "eem_area_sd_mm2",
    "eem_min_diameter_mm",
    "eem_max_diameter_mm",
    "eem_hidden_deg",
    "calcium_arc_deg",
    "stent_area_mm2",
    "stent_area_sd_mm2",
    "malapposition_mm",
)
_MEASURED_TOGETHER = {
    "eem_area_mm2": ("eem_area_sd_mm2", "eem_min_diameter_mm", "eem_max_diameter_mm"),
    "stent_area_mm2": ("stent_area_sd_mm2", "malapposition_mm"),
}


def profile_table(frames: pd.DataFrame, *, step_mm: float = STEP_MM, gated_only: bool = False) -> pd.DataFrame | None:
    """Lay the frames out along the vessel.

    Parameters
    ----------
    frames
        A frames table (`boreline.columns.FRAMES`).
    step_mm
        Grid spacing.
    gated_only
        Use only the frames kept by cardiac gating.

    Returns
    -------
    DataFrame or None
        The columns of `boreline.columns.PROFILE`; None when fewer than two vessel frames have positions.
    """
    words = {cell: parse_flags(cell) for cell in frames["flags"].fillna("").unique()}
    flags = [words[cell] for cell in frames["flags"].fillna("")]
    position = frames["position_mm"].to_numpy(dtype=float)
    usable = np.isfinite(position) & np.array([not (held & NOT_VESSEL) for held in flags], dtype=bool)
    if gated_only:
        usable &= frames["gated"].fillna(value=False).to_numpy(dtype=bool)
    numbers = np.flatnonzero(usable)
    if len(numbers) < 2 or np.ptp(position[numbers]) < step_mm:
        return None

    n_cells = int(np.floor(position[numbers].max() / step_mm + 1e-6)) + 1
    grid = np.arange(n_cells, dtype=np.float64) * np.float64(step_mm)
    cells = _cells(position, numbers, len(grid), step_mm)
    order = numbers[np.argsort(position[numbers], kind="stable")]
    values = {
        name: _resample(frames[name].to_numpy(dtype=float), position, grid, cells, order) for name in _INTERPOLATED
    }
    for lead, followers in _MEASURED_TOGETHER.items():
        for name in followers:
            values[name] = np.where(np.isfinite(values[lead]), values[name], np.nan)

    table = pd.DataFrame({"position_mm": np.round(grid, 6), **values})
    table["plaque_area_mm2"] = table["eem_area_mm2"] - table["lumen_area_mm2"]
    table["plaque_burden_pct"] = 100.0 * table["plaque_area_mm2"] / table["eem_area_mm2"]
    points = range(len(grid))
    table["n_frames"] = cells.count
    table["revisited"] = [_revisited(cells.of(i), grid[i], position) for i in points]
    table["frame"] = _nearest(position, grid, order) + 1
    table["flags"] = [join_flags(frozenset().union(*(flags[frame] for frame in cells.of(i)))) for i in points]
    return table[list(PROFILE.names)]


@dataclass(frozen=True, slots=True)
class _Cells:
    """Which frames lie within half a step of which grid point.

    `frame` holds frame numbers sorted by grid point, in order of recording within one; those of point i are
    ``frame[start[i] : start[i + 1]]``.
    """

    frame: IntArray
    start: IntArray

    @property
    def count(self) -> IntArray:
        """Frames per grid point."""
        return np.diff(self.start)

    def of(self, point: int) -> IntArray:
        """Frames of one grid point."""
        return self.frame[self.start[point] : self.start[point + 1]]


def _cells(position: FloatArray, numbers: IntArray, n_points: int, step_mm: float) -> _Cells:
    point = np.rint(position[numbers] / step_mm).astype(np.int64)
    inside = (point >= 0) & (point < n_points)
    point, numbers = point[inside], numbers[inside]
    order = np.argsort(point, kind="stable")
    return _Cells(numbers[order], np.searchsorted(point[order], np.arange(n_points + 1)).astype(np.int64))


def _resample(values: FloatArray, position: FloatArray, grid: FloatArray, cells: _Cells, order: IntArray) -> FloatArray:
    """Median of the frames at each grid point; interpolation where there is none; NaN where most saw nothing."""
    between = _between(values[order], position[order], grid)
    medians = _medians(values, cells)
    return np.where(cells.count > 0, medians, between)


def _medians(values: FloatArray, cells: _Cells) -> FloatArray:
    """Median of the known values at each grid point; NaN where fewer than half of its frames know one."""
    here = values[cells.frame]
    point = np.repeat(np.arange(len(cells.start) - 1), cells.count)
    known = np.isfinite(here)
    here, point = here[known], point[known]
    by_value = np.lexsort((here, point))
    here = here[by_value]
    n_known = np.bincount(point, minlength=len(cells.start) - 1)
    first = np.concatenate([[0], np.cumsum(n_known)[:-1]])
    out = np.full(len(n_known), np.nan)
    enough = (n_known > 0) & (2 * n_known >= cells.count)
    low = first[enough] + (n_known[enough] - 1) // 2
    high = first[enough] + n_known[enough] // 2
    out[enough] = 0.5 * (here[low] + here[high])
    return out


def _between(values: FloatArray, position: FloatArray, grid: FloatArray) -> FloatArray:
    """Linear interpolation in sorted `position`; NaN beside a NaN, outside the frames, or across too long a gap."""
    right = np.clip(np.searchsorted(position, grid, side="left"), 1, len(position) - 1)
    left = right - 1
    gap = position[right] - position[left]
    weight = np.divide(grid - position[left], gap, out=np.zeros_like(grid), where=gap > 0)
    inside = (grid >= position[0]) & (grid <= position[-1]) & (gap <= MAX_GAP_MM)
    return np.where(inside, (1 - weight) * values[left] + weight * values[right], np.nan)


def _nearest(position: FloatArray, grid: FloatArray, order: IntArray) -> IntArray:
    """0-based number of the frame nearest to each grid point."""
    sorted_mm = position[order]
    right = np.clip(np.searchsorted(sorted_mm, grid), 1, len(order) - 1)
    nearer_left = grid - sorted_mm[right - 1] <= sorted_mm[right] - grid
    return order[np.where(nearer_left, right - 1, right)]


def _revisited(cell: IntArray, place_mm: float, position: FloatArray) -> bool:
    """True when the transducer left this place and came back."""
    gaps = np.flatnonzero(np.diff(cell) > 1)
    return any(
        bool(np.nanmax(np.abs(position[cell[g] + 1 : cell[g + 1]] - place_mm), initial=0.0) > LEFT_MM) for g in gaps
    )
