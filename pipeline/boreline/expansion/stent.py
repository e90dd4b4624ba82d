"""The stent in a profile: where it lies, its smallest area, its edges, and every input of the criteria.

Two values of the smallest area are kept apart: as read (the minimum of noisy frames, as published cut-offs were made)
and corrected (the minimum of what the true areas can be). The shortest and longest diameters of the minimum are the
lumen's in that frame, as in the rule that uses them (de Jaegere, Eur Heart J 1998;19:1214-23).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from boreline.errors import InputRefused
from boreline.expansion.protrusion import Protrusion, tissue_protrusion
from boreline.flags import Flag
from boreline.model import FloatArray, IntArray, JsonValue, Structure
from boreline.profile.minimum import effective_number, largest_draws
from boreline.profile.record import Profile, join_stretches, stretches
from boreline.profile.sites import (
    EDGE_REACH_MM,
    Side,
    Site,
    may_be_reference,
    minimum_row,
    segment_window,
    site_at,
)
from boreline.profile.uncertainty import (
    N_DRAWS,
    Measured,
    SharedUncertainty,
    VesselDraws,
    Window,
    length_draws_mm,
)

JOIN_MM = 1.0
"""Gaps in the struts shorter than this are within one stent."""
CONTEXT_MM = 12.0
UNSEEN_MM = 1.0
"""Over so short a length, apposition that was not seen is none that the criteria ask about."""
SETTLING_MM = {"malapposition_mm": 0.4, "malapposition_length_mm": 1.05}
"""From these on the published criterion is broken (0.4 mm over more than 1 mm, Räber, Eur Heart J 2018)."""


@dataclass(frozen=True, slots=True)
class StentReading:
    """A stent from row `first_row` to `last_row` (inclusive, distal to proximal) and what was measured on it.

    `read` holds the inputs of the criteria as a reader would take them, `corrected` the same without the bias of
    noisy minima and maxima; a quantity that was not measurable is absent.
    """

    first_row: int
    last_row: int
    msa: Site
    msa_read_mm2: float
    references: Mapping[Side, Site | None]
    read: Mapping[str, Measured]
    corrected: Mapping[str, Measured]
    effective_frames: float
    protrusion: Protrusion | None
    chosen: Mapping[Side, int]

    def as_json(self, profile: Profile) -> dict[str, JsonValue]:
        """The stent and its edges for a document."""
        return {
            "from_mm": float(profile.position_mm[self.first_row]),
            "to_mm": float(profile.position_mm[self.last_row]),
            "msa": {**self.msa.as_json(), "stent_area_mm2": self.msa_read_mm2},
            "effective_independent_readings": self.effective_frames,
        }


def detected_stent(profile: Profile) -> tuple[int, int]:
    """First and last row of the longest stretch with struts.

    Raises
    ------
    InputRefused
        No struts were found.
    """
    spans = stretches(join_stretches(profile.stented, round(JOIN_MM / profile.step_mm)))
    if not spans:
        raise InputRefused(
            "no stent was found in this run",
            remedy="state where it lies with --stent-from MM --stent-to MM; areas still need a stent contour",
        )
    start, stop = max(spans, key=lambda span: span[1] - span[0])
    return start, stop - 1


def stated_stent(profile: Profile, from_mm: float, to_mm: float) -> tuple[int, int]:
    """Rows of a stent whose ends the operator states, from distal to proximal.

    Raises
    ------
    InputRefused
        The wrong way round, outside the run, or without any stent area between.
    """
    if from_mm >= to_mm:
        raise InputRefused(
            f"the stent must run from distal ({from_mm:g} mm) to proximal ({to_mm:g} mm)",
            tag="--stent-from, --stent-to",
            remedy="positions grow proximally",
        )
    first, last = profile.row_at(from_mm), profile.row_at(to_mm)
    if not profile.stented[first : last + 1].any():
        raise InputRefused(
            f"no stent area was measured between {from_mm:g} and {to_mm:g} mm",
            tag="--stent-from, --stent-to",
            remedy="leave both out to have the stent detected, or draw it with 'boreline review'",
        )
    return first, last


def read_stent(
    profile: Profile,
    shared: SharedUncertainty,
    first_row: int,
    last_row: int,
    *,
    chosen: Mapping[Side, int] | None = None,
    n_draws: int = N_DRAWS,
) -> StentReading:
    """Measure the stent between two rows, with draws of every quantity.

    Parameters
    ----------
    chosen
        Rows that the operator chose as references.

    Raises
    ------
    InputRefused
        No stent area between the rows, or a chosen reference that does not lie outside the stent or was not measured.
    """
    rows = np.arange(first_row, last_row + 1)
    rows = rows[profile.stented[rows]]
    row = minimum_row(profile.stent_area_mm2, rows, profile.plaque_burden_pct)
    if row is None:
        raise InputRefused(
            "no stent area was measured between the stent's ends",
            remedy="state other ends with --stent-from MM --stent-to MM, or draw the stent with 'boreline review'",
        )
    chosen = chosen or {}
    candidates = {
        side: _candidates(profile, first_row if side is Side.DISTAL else last_row, side, chosen.get(side))
        for side in Side
    }
    references = {side: _largest_lumen(profile, among) for side, among in candidates.items()}
    edges = {
        Side.DISTAL: outside_rows(profile, first_row, Side.DISTAL),
        Side.PROXIMAL: outside_rows(profile, last_row, Side.PROXIMAL),
    }
    values = _values(profile, rows, row, references, edges)
    length_mm = float(profile.position_mm[last_row] - profile.position_mm[first_row])
    context = round(CONTEXT_MM / profile.step_mm)
    edges_of_stent = (first_row, last_row + 1)
    span = (min((first_row, *chosen.values())) - context, max((last_row, *chosen.values())) + context)
    draws = VesselDraws(profile, shared, *span, jumps=edges_of_stent)

    def draw(window: Window) -> dict[str, FloatArray]:
        out = _drawn(profile, rows, row, references, candidates, edges, window)
        if shared.axis_scale_relative_sd is not None:
            out["stented_length_mm"] = length_draws_mm(length_mm, shared, window)
        return out

    drawn = draws.collect(draw, n_draws)
    values["stented_length_mm"] = length_mm
    corrected = {name: Measured(value, drawn.get(name)) for name, value in values.items()}
    read = {name: item.centred() for name, item in corrected.items()}
    return StentReading(
        first_row,
        last_row,
        site_at(profile, row),
        float(profile.stent_area_mm2[row]),
        references,
        read,
        {name: Measured(item.middle, item.draws) for name, item in corrected.items()},
        effective_number(len(rows), draws.correlation),
        tissue_protrusion(profile, first_row, last_row, standing_clear_mm(profile) > 0),
        chosen,
    )


def outside_rows(profile: Profile, edge_row: int, side: Side) -> IntArray:
    """Rows within 5 mm outside a stent edge whose plaque burden was measured."""
    rows = edge_row + side.outward * np.arange(1, round(EDGE_REACH_MM / profile.step_mm) + 1)
    rows = rows[(rows >= 0) & (rows < profile.n_rows)]
    return rows[profile.eem_measured[rows] & ~profile.branch[rows]]


def _values(
    profile: Profile,
    rows: IntArray,
    msa_row: int,
    references: Mapping[Side, Site | None],
    edges: Mapping[Side, IntArray],
) -> dict[str, float]:
    out = {
        "msa_mm2": float(profile.stent_area_mm2[msa_row]),
        "msa_eem_mm2": float(profile.eem_area_mm2[msa_row]),
        "msa_min_diameter_mm": float(profile.lumen_min_diameter_mm[msa_row]),
        "msa_max_diameter_mm": float(profile.lumen_max_diameter_mm[msa_row]),
        "proximal_entrance_lumen_mm2": float(profile.lumen_area_mm2[rows[-1]]),
    }
    for side, site in references.items():
        if site is not None:
            out[f"{side.value}_lumen_mm2"] = site.lumen_area_mm2
            out[f"{side.value}_eem_mm2"] = site.eem_area_mm2
        if edges[side].size:
            out[f"{side.value}_edge_burden_pct"] = float(profile.plaque_burden_pct[edges[side]].max())
    out |= apposition_values(standing_clear_mm(profile)[rows], profile.step_mm)
    return {name: value for name, value in out.items() if math.isfinite(value)}


def standing_clear_mm(profile: Profile) -> FloatArray:
    """Strut-to-wall distance per row, 0 where the segmentation does not call any strut malapposed.

    Every strut lies some hundredths of a millimetre from the measured wall, so a distance alone is no malapposition.
    A profile without any stent flag comes from elsewhere: its distances are taken as they are.
    """
    if not profile.flagged(Flag.STENT).any():
        return profile.malapposition_mm
    clear = np.where(profile.flagged(Flag.MALAPPOSED), profile.malapposition_mm, 0.0)
    return np.where(np.isfinite(profile.malapposition_mm), clear, np.nan)


def apposition_values(clear_mm: FloatArray, step_mm: float) -> dict[str, float]:
    """Largest distance of a strut from the wall, and the longest length over which struts stand clear of it.

    Where the wall behind the struts is not seen over more than `UNSEEN_MM`, either may be larger than what is seen:
    then only values are given that break a criterion whatever is hidden.

    Parameters
    ----------
    clear_mm
        As `standing_clear_mm` returns it, over the rows of the stent.
    """
    seen = np.isfinite(clear_mm)
    if not seen.any():
        return {}
    values = {
        "malapposition_mm": float(np.nanmax(clear_mm)),
        "malapposition_length_mm": malapposed_length_mm(clear_mm, step_mm),
    }
    if max(((stop - start) * step_mm for start, stop in stretches(~seen)), default=0.0) <= UNSEEN_MM:
        return values
    return {name: value for name, value in values.items() if value >= SETTLING_MM[name]}


def malapposed_length_mm(distance_mm: FloatArray, step_mm: float) -> float:
    """Longest continuous length over which struts stand clear of the wall."""
    return max(((stop - start) * step_mm for start, stop in stretches(distance_mm > 0)), default=0.0)


def _drawn(
    profile: Profile,
    rows: IntArray,
    msa_row: int,
    references: Mapping[Side, Site | None],
    candidates: Mapping[Side, IntArray],
    edges: Mapping[Side, IntArray],
    window: Window,
) -> dict[str, FloatArray]:
    """Draws of every quantity; minima, maxima and references are chosen anew in each draw."""
    out: dict[str, FloatArray] = {}
    first = window.first_row
    lumen, eem, stent = (window.areas_mm2.get(structure) for structure in Structure)
    if stent is not None:
        out["msa_mm2"] = stent[rows - first].min(axis=0)
    if eem is not None and math.isfinite(profile.eem_area_mm2[msa_row]):
        out["msa_eem_mm2"] = eem[msa_row - first]
    if lumen is None:
        return out
    columns = np.arange(lumen.shape[1])
    out["proximal_entrance_lumen_mm2"] = lumen[rows[-1] - first]
    for side, site in references.items():
        if site is None:
            continue
        among = candidates[side] - first
        best = among[np.argmax(lumen[among], axis=0)]
        out[f"{side.value}_lumen_mm2"] = np.maximum(largest_draws(lumen[among]), 0.0)
        if eem is not None and math.isfinite(site.eem_area_mm2):
            out[f"{side.value}_eem_mm2"] = eem[best, columns]
    if eem is not None:
        for side, outside in edges.items():
            if outside.size:
                local = outside - first
                burden = 100.0 * (1.0 - lumen[local] / np.maximum(eem[local], 1e-6))
                out[f"{side.value}_edge_burden_pct"] = largest_draws(burden)
    return out


def _candidates(profile: Profile, edge_row: int, side: Side, chosen: int | None) -> IntArray:
    """Rows among which the largest lumen is the reference: the operator's one, or those within 5 mm that qualify."""
    if chosen is None:
        rows = segment_window(profile, edge_row, side, EDGE_REACH_MM)
        return rows[may_be_reference(profile)[rows]]
    place = f"the {side.value} reference marked at {profile.position_mm[chosen]:.1f} mm"
    if (chosen - edge_row) * side.outward <= 0:
        raise InputRefused(f"{place} does not lie outside the stent", remedy="move it on the review page")
    if not profile.measured[chosen]:
        raise InputRefused(f"{place} was not measured", remedy="move it on the review page")
    return np.array([chosen])


def _largest_lumen(profile: Profile, rows: IntArray) -> Site | None:
    return site_at(profile, int(rows[np.argmax(profile.lumen_area_mm2[rows])])) if rows.size else None
