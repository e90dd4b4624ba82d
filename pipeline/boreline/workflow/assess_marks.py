"""What an operator marked on the review page, as inputs of the criteria.

`run.json` holds the marks of the edit log in force (`operator`). They count where the command line says nothing; an
explicit option stands above a mark, and the document records both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from boreline.correction.edits import SiteName
from boreline.errors import InputRefused
from boreline.expansion.inputs import DEPTHS, Quantity
from boreline.geometry import contour_centroids_px
from boreline.model import FloatArray, JsonValue, Structure
from boreline.profile.record import Profile
from boreline.profile.sites import Side
from boreline.profile.uncertainty import N_DRAWS, SEED
from boreline.results.folder import ResultFolder

DEPTH_OF = {"intima": "intimal", "media": "medial", "adventitia": "adventitial"}
"""The review page's words for the deepest layer, in those of the criteria."""
AREA_AT = {
    SiteName.LAD_OSTIUM: "lad_ostium_mm2",
    SiteName.LCX_OSTIUM: "lcx_ostium_mm2",
    SiteName.CONFLUENCE: "confluence_mm2",
    SiteName.LEFT_MAIN: "left_main_mm2",
}
"""Named places whose stent area is an input of the left main's criteria."""


@dataclass(frozen=True, slots=True)
class MarkedStent:
    """Where the operator says that the stent lies, mm, and by which mark."""

    from_mm: float
    to_mm: float
    by: str


def marked_stent(results: ResultFolder) -> MarkedStent | None:
    """The stent as marked: by its frames, else by both landing sites; None when neither was marked.

    Raises
    ------
    InputRefused
        The operator marked that there is no stent, or marked frames without a position.
    """
    operator = _operator(results.record)
    stent = operator.get("stent")
    if stent is False:
        raise InputRefused(
            "the operator marked on the review page that this run shows no stent",
            file=results.path,
            remedy="take that back there, or state --stent-from MM --stent-to MM",
        )
    sites = operator.get("sites") or {}
    ends = [sites.get(name.value) for name in (SiteName.DISTAL_LANDING, SiteName.PROXIMAL_LANDING)]
    if isinstance(stent, Mapping):
        frames, by = [int(stent["first"]), int(stent["last"])], "stent marked on the review page"
    elif None not in ends:
        frames, by = [int(end) for end in ends if end is not None], "landing sites marked on the review page"
    else:
        return None
    places = _positions_mm(results)[np.array(frames) - 1]
    if not np.isfinite(places).all():
        raise InputRefused(
            f"{by}: frames {frames[0]} to {frames[1]} have no position",
            file=results.path,
            remedy="state --stent-from MM --stent-to MM",
        )
    return MarkedStent(float(places.min()), float(places.max()), by)


def marked_references(results: ResultFolder, profile: Profile) -> dict[Side, int]:
    """Rows of the references that the operator named; a side that was not named is absent."""
    sites = _operator(results.record).get("sites") or {}
    places = _positions_mm(results) if sites else np.empty(0)
    out = {}
    for side, name in ((Side.DISTAL, SiteName.DISTAL_REFERENCE), (Side.PROXIMAL, SiteName.PROXIMAL_REFERENCE)):
        frame = sites.get(name.value)
        if frame is not None and np.isfinite(places[int(frame) - 1]):
            out[side] = profile.row_at(float(places[int(frame) - 1]))
    return out


def marked_dissection(results: ResultFolder) -> dict[str, float | str | bool]:
    """Inputs of the criteria from every dissection marked at an edge; the worst of several counts for each input.

    A tear marked within the stent is no edge dissection. The length runs over the frames marked, each standing for the
    way to its neighbours; the arc is the widest of any frame, apex at the lumen's centre of mass, and absent where no
    rays were marked. The effective lumen is not derived: a contour does not say on which side of a flap it runs.
    """
    found = [one for one in _findings(results.record, "dissection") if one["side"] != "within"]
    if not found:
        return {}
    depths = [DEPTH_OF[one["depth"]] for one in found]
    sides = {one["side"] for one in found}
    out: dict[str, float | str | bool] = {
        "dissection_depth": max(depths, key=DEPTHS.index),
        "dissection_side": "both" if len(sides) > 1 else sides.pop(),
    }
    position = _positions_mm(results)
    lengths = [marked_length_mm(position, int(one["first"]) - 1, int(one["last"]) - 1) for one in found]
    if any(np.isfinite(lengths)):
        out["dissection_length_mm"] = float(np.nanmax(lengths))
    arcs = _arcs_deg(results, found)
    if arcs.size:
        out["dissection_arc_deg"] = float(arcs.max())
    return out


def marked_areas(results: ResultFolder, profile: Profile) -> dict[str, Quantity]:
    """Stent areas at the named places of a left main, with their uncertainty where the profile states one."""
    sites = _operator(results.record).get("sites") or {}
    places = _positions_mm(results) if sites else np.empty(0)
    scores = np.random.default_rng(SEED).standard_normal((len(AREA_AT), N_DRAWS))
    out = {}
    for number, (site, name) in enumerate(AREA_AT.items()):
        frame = sites.get(site.value)
        if frame is None or not np.isfinite(places[int(frame) - 1]):
            continue
        row = profile.row_at(float(places[int(frame) - 1]))
        area, sd = float(profile.stent_area_mm2[row]), float(profile.stent_area_sd_mm2[row])
        if np.isfinite(area):
            out[name] = Quantity(area, np.maximum(area + sd * scores[number], 0.0) if np.isfinite(sd) else None)
    return out


def marked_elsewhere(results: ResultFolder) -> list[dict[str, JsonValue]]:
    """Every finding of the operator with its place, for the document; frames count from 1."""
    found = _operator(results.record).get("findings") or []
    position_mm = _positions_mm(results) if found else np.empty(0)
    out: list[dict[str, JsonValue]] = []
    for one in found:
        first, last = int(one["first"]), int(one["last"])
        ends = position_mm[[first - 1, last - 1]]
        known = bool(np.isfinite(ends).all())
        length = marked_length_mm(position_mm, first - 1, last - 1)
        out.append(
            {
                "kind": one["kind"],
                "first_frame": first,
                "last_frame": last,
                "from_mm": float(ends.min()) if known else None,
                "to_mm": float(ends.max()) if known else None,
                "length_mm": length if np.isfinite(length) else None,
                **{key: one[key] for key in ("depth", "side") if key in one},
            }
        )
    return out


def marked_length_mm(position_mm: FloatArray, first: int, last: int) -> float:
    """Length of frames `first`..`last` (0-based, inclusive): one frame stands for half the way to each neighbour."""
    inside = position_mm[first : last + 1]
    inside = inside[np.isfinite(inside)]
    if inside.size == 0:
        return float("nan")
    around = position_mm[max(first - 1, 0) : last + 2]
    around = around[np.isfinite(around)]
    return float((np.ptp(inside) + np.ptp(around)) / 2)


def _arcs_deg(results: ResultFolder, found: Sequence[Mapping[str, Any]]) -> FloatArray:
    """Arc of every frame in which rays were marked, from the first point to the second in growing angle."""
    marked = [one for one in found if one.get("from_px") and one.get("to_px")]
    if not marked:
        return np.empty(0)
    apexes = contour_centroids_px(results.contours(Structure.LUMEN))
    scale = results.calibration().mm_per_px
    arcs = []
    for one in marked:
        apex = apexes[int(one["first"]) - 1 : int(one["last"])]
        rays = [(np.array(one[end], dtype=float) - apex) * scale for end in ("from_px", "to_px")]
        first, last = (np.degrees(np.arctan2(ray[:, 1], ray[:, 0])) for ray in rays)
        arcs.append((last - first) % 360.0)
    found_arcs = np.concatenate(arcs)
    return np.asarray(found_arcs[np.isfinite(found_arcs)])


def _positions_mm(results: ResultFolder) -> FloatArray:
    return results.frames()["position_mm"].to_numpy(dtype=np.float64)


def _findings(record: Mapping[str, Any], kind: str) -> list[Mapping[str, Any]]:
    return [one for one in _operator(record).get("findings") or [] if one.get("kind") == kind]


def _operator(record: Mapping[str, Any]) -> Mapping[str, Any]:
    return record.get("operator") or {}
