"""`Profile`: areas on a regular millimetre grid, the record that sizing and expansion read."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from boreline.errors import InputRefused
from boreline.flags import Flag, parse_flags
from boreline.model import BoolArray, FloatArray, IntArray

MAJOR_BRANCH_MM = 2.0
"""A branch mouth at least this long along the vessel ends a segment: common practice, no source."""
_GRID_TOLERANCE = 0.05


@dataclass(frozen=True)
class Profile:
    """One vessel, from distal (first row) to proximal; every array has shape (n_rows,), NaN = not measurable.

    `frame` is the 0-based number of the frame nearest to each row; `n_frames` is 0 where a row was interpolated.
    Frames inside the guide catheter, outside the vessel or rejected never reach a profile.
    """

    position_mm: FloatArray
    lumen_area_mm2: FloatArray
    lumen_area_sd_mm2: FloatArray
    lumen_min_diameter_mm: FloatArray
    lumen_max_diameter_mm: FloatArray
    eem_area_mm2: FloatArray
    eem_area_sd_mm2: FloatArray
    eem_min_diameter_mm: FloatArray
    eem_max_diameter_mm: FloatArray
    eem_hidden_deg: FloatArray
    calcium_arc_deg: FloatArray
    stent_area_mm2: FloatArray
    stent_area_sd_mm2: FloatArray
    malapposition_mm: FloatArray
    n_frames: IntArray
    frame: IntArray
    flags: tuple[frozenset[Flag], ...]

    @property
    def n_rows(self) -> int:
        """Rows of the grid."""
        return len(self.position_mm)

    @cached_property
    def step_mm(self) -> float:
        """Grid spacing."""
        return float((self.position_mm[-1] - self.position_mm[0]) / (self.n_rows - 1))

    @cached_property
    def plaque_area_mm2(self) -> FloatArray:
        """Plaque plus media: EEM area minus lumen area."""
        return self.eem_area_mm2 - self.lumen_area_mm2

    @cached_property
    def plaque_burden_pct(self) -> FloatArray:
        """100 x (EEM - lumen) / EEM area; the EEM of the same row is the denominator, never a reference."""
        return 100.0 * self.plaque_area_mm2 / self.eem_area_mm2

    @cached_property
    def lumen_mean_diameter_mm(self) -> FloatArray:
        """(shortest + longest) / 2; area-derived where the chords are not given."""
        return _mean_diameter(self.lumen_min_diameter_mm, self.lumen_max_diameter_mm, self.lumen_area_mm2)

    @cached_property
    def eem_mean_diameter_mm(self) -> FloatArray:
        """(shortest + longest) / 2 of the EEM; area-derived where the chords are not given."""
        return _mean_diameter(self.eem_min_diameter_mm, self.eem_max_diameter_mm, self.eem_area_mm2)

    @cached_property
    def measured(self) -> BoolArray:
        """Rows with a lumen that was read in a frame, not interpolated: only these become sites or minima."""
        return (self.n_frames > 0) & np.isfinite(self.lumen_area_mm2)

    @cached_property
    def eem_measured(self) -> BoolArray:
        """Rows with an EEM that was read in a frame."""
        return self.measured & np.isfinite(self.eem_area_mm2)

    @cached_property
    def stented(self) -> BoolArray:
        """Rows with a stent area that was read in a frame."""
        return (self.n_frames > 0) & np.isfinite(self.stent_area_mm2)

    @cached_property
    def branch(self) -> BoolArray:
        """Rows at a branch mouth: never a reference."""
        return self.flagged(Flag.BRANCH)

    @cached_property
    def major_branch(self) -> BoolArray:
        """Rows of branch mouths that end a segment."""
        out = np.zeros(self.n_rows, dtype=bool)
        for start, stop in stretches(self.branch):
            if (stop - start) * self.step_mm >= MAJOR_BRANCH_MM:
                out[start:stop] = True
        return out

    def flagged(self, flag: Flag) -> BoolArray:
        """Rows that carry `flag`."""
        return np.array([flag in words for words in self.flags], dtype=bool)

    def row_at(self, position_mm: float) -> int:
        """The row nearest to a place along the vessel.

        Raises
        ------
        InputRefused
            The place lies outside the profile.
        """
        first, last = float(self.position_mm[0]), float(self.position_mm[-1])
        if not first - self.step_mm / 2 <= position_mm <= last + self.step_mm / 2:
            raise InputRefused(
                f"{position_mm:g} mm lies outside the run ({first:.1f} to {last:.1f} mm)",
                remedy="name a place inside it",
            )
        return int(np.argmin(np.abs(self.position_mm - position_mm)))


def profile_from_table(table: pd.DataFrame, *, file: str | None = None) -> Profile:
    """Read a profile table (`boreline.columns.PROFILE`); columns that a foreign table lacks count as not measured.

    Raises
    ------
    InputRefused
        No position or lumen column, fewer than two rows, or positions that are no rising regular grid.
    """
    for name in ("position_mm", "lumen_area_mm2"):
        if name not in table:
            raise InputRefused(
                "the column is missing", file=file, tag=name, remedy="boreline columns lists what belongs in the table"
            )
    if len(table) < 2:
        raise InputRefused(
            "a profile needs at least two rows", file=file, remedy="analyse more frames, or check the positions"
        )
    position = table["position_mm"].to_numpy(dtype=float)
    steps = np.diff(position)
    if not (np.all(np.isfinite(position)) and np.all(steps > 0) and np.ptp(steps) <= _GRID_TOLERANCE * steps.mean()):
        raise InputRefused(
            "positions are no rising regular grid",
            file=file,
            tag="position_mm",
            remedy="give steps of one length, distal first",
        )
    n = len(table)
    numbers = {
        field.name: table[field.name].to_numpy(dtype=float) if field.name in table else np.full(n, np.nan)
        for field in fields(Profile)
        if field.name not in {"n_frames", "frame", "flags"}
    }
    flags = table["flags"].fillna("").astype(str) if "flags" in table else [""] * n
    try:
        words = tuple(parse_flags(cell) for cell in flags)
    except ValueError as unknown:
        raise InputRefused(str(unknown), file=file, tag="flags", remedy="boreline columns lists the flags") from None
    return Profile(
        **numbers,
        n_frames=table["n_frames"].to_numpy(dtype=np.int64) if "n_frames" in table else np.ones(n, dtype=np.int64),
        frame=(table["frame"].to_numpy(dtype=np.int64) if "frame" in table else np.arange(1, n + 1)) - 1,
        flags=words,
    )


def stretches(mask: BoolArray) -> list[tuple[int, int]]:
    """[start, stop) of every run of true values, in order."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def join_stretches(mask: BoolArray, max_gap_rows: int) -> BoolArray:
    """`mask` with gaps of fewer than `max_gap_rows` rows between true values filled."""
    out = mask.copy()
    runs = stretches(mask)
    for (_, stop), (start, _) in pairwise(runs):
        if start - stop < max_gap_rows:
            out[stop:start] = True
    return out


def _mean_diameter(shortest: FloatArray, longest: FloatArray, area: FloatArray) -> FloatArray:
    from_chords = (shortest + longest) / 2
    diameter = np.where(np.isfinite(from_chords), from_chords, 2.0 * np.sqrt(area / np.pi))
    return np.where(np.isfinite(area), diameter, np.nan)
