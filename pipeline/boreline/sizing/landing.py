"""Landing sites: where a device may begin and end.

Proposed: the nearest place on each side of the lesion where the plaque burden is below 50 %, no branch opens within
1 mm and no calcium of more than 90 degrees lies within 1 mm (an edge on calcium tears more easily: common practice,
no source for the distances). When nothing qualifies the conditions are given up one by one, and the site says so.

The reference of a landing site is the largest lumen from there to 5 mm further out, in the same segment, with a
plaque burden below 50 % - the same place where an assessment after implantation looks for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation

from boreline.errors import InputRefused
from boreline.model import BoolArray, IntArray, JsonValue
from boreline.profile.lesions import COVER_BURDEN_PCT, Lesion
from boreline.profile.record import Profile
from boreline.profile.sites import (
    EDGE_REACH_MM,
    REFERENCE_REACH_MM,
    Side,
    Site,
    may_be_reference,
    segment_window,
    site_at,
)

MARGIN_MM = 1.0
CALCIUM_DEG = 90.0
WIDER_REACH_MM = 20.0


@dataclass(frozen=True, slots=True)
class Landing:
    """One landing site, its reference, and every condition that it does not fulfil."""

    side: Side
    site: Site
    reference: Site | None
    chosen_by_operator: bool
    remarks: tuple[str, ...] = ()

    def as_json(self) -> dict[str, JsonValue]:
        """For a document."""
        return {
            **self.site.as_json(),
            "chosen_by": "operator" if self.chosen_by_operator else "proposal",
            "remarks": list(self.remarks),
        }


def propose_landing(profile: Profile, lesion: Lesion, side: Side) -> Landing | None:
    """The nearest suitable place outside the lesion; None when the run shows nothing there."""
    edge = lesion.first_row if side is Side.DISTAL else lesion.last_row
    near = segment_window(profile, edge, side, REFERENCE_REACH_MM)
    for ok, remarks in (
        (suitable(profile), ()),
        (_low_burden(profile) & may_be_reference(profile), ("calcium or a branch within 1 mm",)),
    ):
        rows = near[ok[near]]
        if rows.size:
            return _landing(profile, side, int(rows[0]), remarks)
    wide = segment_window(profile, edge, side, WIDER_REACH_MM)
    wide = wide[may_be_reference(profile)[wide]]
    with_eem = wide[profile.eem_measured[wide]]
    if with_eem.size:
        row = int(with_eem[np.argmin(profile.plaque_burden_pct[with_eem])])
        text = f"no plaque burden below {COVER_BURDEN_PCT:.0f} % within {REFERENCE_REACH_MM:.0f} mm: least burden taken"
        return _landing(profile, side, row, (text,) if profile.plaque_burden_pct[row] >= COVER_BURDEN_PCT else ())
    if wide.size:
        row = int(wide[np.argmax(profile.lumen_area_mm2[wide])])
        return _landing(profile, side, row, ("EEM not measurable here: plaque burden not known",))
    return None


def chosen_landing(profile: Profile, side: Side, position_mm: float) -> Landing:
    """The operator's landing site.

    Raises
    ------
    InputRefused
        Outside the run, or at a place where nothing was measured.
    """
    row = profile.row_at(position_mm)
    if not profile.measured[row]:
        raise InputRefused(
            f"nothing was measured at {position_mm:g} mm",
            tag=f"--{side.value}",
            remedy="choose a place where profile.csv has a lumen area, or draw it with 'boreline review'",
        )
    remarks = []
    if profile.branch[row]:
        remarks.append("a side branch opens here")
    if not profile.eem_measured[row]:
        remarks.append("EEM not measurable here: plaque burden not known")
    elif profile.plaque_burden_pct[row] >= COVER_BURDEN_PCT:
        remarks.append(f"plaque burden {profile.plaque_burden_pct[row]:.0f} % here, not below {COVER_BURDEN_PCT:.0f} %")
    return _landing(profile, side, row, tuple(remarks), by_operator=True)


def suitable(profile: Profile) -> BoolArray:
    """Rows that fulfil every condition for a landing site."""
    near_branch = _widen(profile, profile.branch)
    near_calcium = _widen(profile, profile.calcium_arc_deg > CALCIUM_DEG)
    return may_be_reference(profile) & _low_burden(profile) & ~near_branch & ~near_calcium


def reference_rows(profile: Profile, row: int, side: Side) -> IntArray:
    """Rows that may be the reference of a landing at `row`: up to 5 mm out, low burden where that is known."""
    rows = np.concatenate([[row], segment_window(profile, row, side, EDGE_REACH_MM)])
    rows = rows[may_be_reference(profile)[rows]]
    low = rows[_low_burden(profile)[rows]]
    unknown = rows[~profile.eem_measured[rows]]
    best: IntArray = low if low.size else unknown if unknown.size else rows
    return best


def _landing(profile: Profile, side: Side, row: int, remarks: tuple[str, ...], *, by_operator: bool = False) -> Landing:
    rows = reference_rows(profile, row, side)
    reference = site_at(profile, int(rows[np.argmax(profile.lumen_area_mm2[rows])])) if rows.size else None
    return Landing(side, site_at(profile, row), reference, by_operator, remarks)


def _low_burden(profile: Profile) -> BoolArray:
    return profile.eem_measured & (profile.plaque_burden_pct < COVER_BURDEN_PCT)


def _widen(profile: Profile, mask: BoolArray) -> BoolArray:
    """`mask` grown by the margin on both sides."""
    reach = round(MARGIN_MM / profile.step_mm)
    return np.asarray(binary_dilation(mask, np.ones(2 * reach + 1, dtype=bool)))
