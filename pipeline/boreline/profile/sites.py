"""Places along the vessel: references, minima, and what was read there.

References follow Mintz, JACC 2001;37:1478-92 (from memory): the largest lumen beside the lesion, usually within
10 mm, in the same segment, without a major side branch between; not the place with the least plaque. Lumen and EEM
come from one frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from boreline.model import BoolArray, FloatArray, IntArray, JsonValue
from boreline.profile.record import Profile

REFERENCE_REACH_MM = 10.0
EDGE_REACH_MM = 5.0
"""After implantation references lie within 5 mm outside the stent's edges, and so does the edge itself."""
TIE_RELATIVE = 1e-9


class Side(StrEnum):
    """Which side of a lesion or stent."""

    DISTAL = "distal"
    PROXIMAL = "proximal"

    @property
    def outward(self) -> int:
        """Direction of growing distance in rows: -1 distally, +1 proximally."""
        return -1 if self is Side.DISTAL else 1


@dataclass(frozen=True, slots=True)
class Site:
    """One row of a profile, with what was read in its frame; NaN = not measurable.

    `frame` is 0-based.
    """

    row: int
    position_mm: float
    frame: int
    lumen_area_mm2: float
    lumen_mean_diameter_mm: float
    lumen_min_diameter_mm: float
    lumen_max_diameter_mm: float
    eem_area_mm2: float
    eem_mean_diameter_mm: float
    plaque_burden_pct: float
    calcium_arc_deg: float
    eem_hidden_deg: float

    def as_json(self) -> dict[str, JsonValue]:
        """Numbers for a document: frame from 1, NaN as None, `row` left out."""
        values = {name: _plain(getattr(self, name)) for name in self.__slots__ if name not in {"row", "frame"}}
        return {"frame": self.frame + 1, **values}


def site_at(profile: Profile, row: int) -> Site:
    """What was read at one row."""
    return Site(
        row,
        float(profile.position_mm[row]),
        int(profile.frame[row]),
        float(profile.lumen_area_mm2[row]),
        float(profile.lumen_mean_diameter_mm[row]),
        float(profile.lumen_min_diameter_mm[row]),
        float(profile.lumen_max_diameter_mm[row]),
        float(profile.eem_area_mm2[row]),
        float(profile.eem_mean_diameter_mm[row]),
        float(profile.plaque_burden_pct[row]),
        float(profile.calcium_arc_deg[row]),
        float(profile.eem_hidden_deg[row]),
    )


def segment_window(profile: Profile, edge_row: int, side: Side, reach_mm: float) -> IntArray:
    """Rows outside `edge_row` on one side, nearest first, up to `reach_mm` away and before a major branch."""
    rows = edge_row + side.outward * np.arange(1, round(reach_mm / profile.step_mm) + 1)
    rows = rows[(rows >= 0) & (rows < profile.n_rows)]
    blocked = np.flatnonzero(profile.major_branch[rows])
    return rows[: blocked[0]] if blocked.size else rows


def may_be_reference(profile: Profile) -> BoolArray:
    """Rows that may be a reference at all: read in a frame, and no branch mouth."""
    return profile.measured & ~profile.branch


def find_reference(profile: Profile, edge_row: int, side: Side, *, reach_mm: float = REFERENCE_REACH_MM) -> Site | None:
    """The largest lumen beside a lesion or stent; the nearest of equals; None when no row qualifies.

    Parameters
    ----------
    edge_row
        Last row of the lesion or stent on that side.
    reach_mm
        How far out to look.
    """
    rows = segment_window(profile, edge_row, side, reach_mm)
    rows = rows[may_be_reference(profile)[rows]]
    if rows.size == 0:
        return None
    return site_at(profile, int(rows[np.argmax(profile.lumen_area_mm2[rows])]))


def minimum_row(values: FloatArray, rows: IntArray, tie_break: FloatArray | None = None) -> int | None:
    """The row with the smallest value; among equals the one with the largest `tie_break`; None without any value."""
    rows = rows[np.isfinite(values[rows])]
    if rows.size == 0:
        return None
    smallest = float(values[rows].min())
    equal = rows[values[rows] <= smallest * (1 + TIE_RELATIVE)]
    if tie_break is None or not np.any(np.isfinite(tie_break[equal])):
        return int(equal[0])
    return int(equal[np.nanargmax(tie_break[equal])])


def minimum_lumen(profile: Profile, first_row: int, last_row: int) -> Site | None:
    """MLA: the smallest lumen between two rows (inclusive); of equals the one with the larger plaque burden."""
    rows = np.arange(first_row, last_row + 1)
    row = minimum_row(profile.lumen_area_mm2, rows[profile.measured[rows]], profile.plaque_burden_pct)
    return None if row is None else site_at(profile, row)


def _plain(value: float) -> float | None:
    return value if np.isfinite(value) else None
