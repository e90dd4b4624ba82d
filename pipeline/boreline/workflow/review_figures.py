"""What is read off a run while it is being reviewed: sites, minimum, length between landings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from boreline.correction import SiteName
from boreline.errors import InputRefused
from boreline.model import CAUTION, JsonValue
from boreline.profile.grid import profile_table
from boreline.profile.lesions import Lesion, lesion_to_cover
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.single_frame import smallest_single_frame, smallest_stent_frame
from boreline.profile.sites import Side, minimum_lumen
from boreline.sizing.landing import Landing, chosen_landing, propose_landing

_SITE_COLUMNS = ("lumen_area_mm2", "eem_area_mm2", "plaque_burden_pct", "position_mm", "time_s")


@dataclass(frozen=True, slots=True)
class Figures:
    """Sites by name (0-based frames) and who placed them, and a document for the page."""

    sites: dict[str, int]
    document: dict[str, JsonValue]


def read_figures(frames: pd.DataFrame, chosen: Mapping[SiteName, int]) -> Figures:
    """Sites from a frames table: the operator's where there is one, else found by the published definitions."""
    sites = _found(frames, chosen) | {name.value: frame for name, frame in chosen.items()}
    smallest_stent = smallest_stent_frame(frames)
    rows = {
        name: {
            "frame": frame + 1,
            "by": "operator" if name in {key.value for key in chosen} else "program",
            **{column: _plain(frames[column].iloc[frame]) for column in _SITE_COLUMNS},
        }
        for name, frame in sites.items()
    }
    document: dict[str, JsonValue] = {
        "sites": rows,
        "length_mm": _length(rows),
        "area_stenosis_pct": _stenosis(rows),
        "smallest_stent": None
        if smallest_stent is None
        else {"frame": smallest_stent + 1, "stent_area_mm2": _plain(frames["stent_area_mm2"].iloc[smallest_stent])},
        "caution": CAUTION,
    }
    decisive = dict(sites)
    if smallest_stent is not None:
        decisive["smallest_stent"] = smallest_stent
    return Figures(decisive, document)


def _found(frames: pd.DataFrame, chosen: Mapping[SiteName, int]) -> dict[str, int]:
    """Sites as `boreline plan` finds them; only the smallest lumen for a run without millimetres."""
    profile = profile_of(frames)
    if profile is None:
        smallest = smallest_single_frame(frames)
        return {} if smallest is None else {SiteName.MLA.value: smallest.frame}
    lesion = lesion_to_cover(profile)
    first, last = (0, profile.n_rows - 1) if lesion is None else (lesion.first_row, lesion.last_row)
    minimum = minimum_lumen(profile, first, last)
    found = {} if minimum is None else {SiteName.MLA.value: minimum.frame}
    for side in Side:
        landing = _landing(profile, lesion, side, frames, chosen)
        if landing is not None:
            found[f"{side.value}_landing"] = landing.site.frame
            if landing.reference is not None:
                found[f"{side.value}_reference"] = landing.reference.frame
    return found


def _landing(
    profile: Profile, lesion: Lesion | None, side: Side, frames: pd.DataFrame, chosen: Mapping[SiteName, int]
) -> Landing | None:
    stated = chosen.get(SiteName(f"{side.value}_landing"))
    if stated is None:
        return None if lesion is None else propose_landing(profile, lesion, side)
    try:
        return chosen_landing(profile, side, float(frames["position_mm"].iloc[stated]))
    except InputRefused:  # nothing was measured there: the operator's mark stands, a reference is not found from it
        return None


def profile_of(frames: pd.DataFrame) -> Profile | None:
    """The profile of a frames table; None without positions."""
    try:
        table = profile_table(frames)
        return None if table is None else profile_from_table(table)
    except InputRefused:
        return None


def _length(rows: Mapping[str, Mapping[str, JsonValue]]) -> float | None:
    ends = [rows.get(name, {}).get("position_mm") for name in ("distal_landing", "proximal_landing")]
    distal, proximal = ends
    return None if distal is None or proximal is None else abs(proximal - distal)


def _stenosis(rows: Mapping[str, Mapping[str, JsonValue]]) -> float | None:
    """100 x (1 - MLA / mean of the references' lumen areas)."""
    references = [rows.get(name, {}).get("lumen_area_mm2") for name in ("distal_reference", "proximal_reference")]
    known = [area for area in references if area is not None]
    smallest = rows.get("mla", {}).get("lumen_area_mm2")
    return 100.0 * (1.0 - smallest / (sum(known) / len(known))) if known and smallest is not None else None


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
