"""The few figures that a reader looks for first: from the tables, the plan and the assessment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from boreline.flags import Flag, parse_flags
from boreline.profile.single_frame import smallest_single_frame, smallest_stent_frame


@dataclass(frozen=True, slots=True)
class Answer:
    """One figure with what it rests on."""

    title: str
    value: str
    detail: str


@dataclass(frozen=True, slots=True)
class NamedSite:
    """A place that the page marks: 0-based frame, position in mm (NaN without positions)."""

    name: str
    frame: int
    position_mm: float


def number(value: Any, digits: int = 2, unit: str = "") -> str:
    """A figure for people; a dash when not known."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)) or value is pd.NA:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    return f"{value:.{digits}f} {unit}".rstrip()


def with_sd(area_mm2: float, contour_sd_mm2: float, scale_relative_sd: float | None) -> str:
    """An area with its standard uncertainty: contour and length scale together (an area takes the scale twice)."""
    parts = [sd for sd in (contour_sd_mm2, 2 * area_mm2 * (scale_relative_sd or 0.0)) if math.isfinite(sd) and sd > 0]
    if not parts:
        return f"{area_mm2:.2f} mm²"
    return f"{area_mm2:.2f} ± {math.hypot(*parts):.2f} mm²"


def named_sites(frames: pd.DataFrame, plan: Mapping[str, Any] | None) -> tuple[NamedSite, ...]:
    """Smallest lumen and stent area, and the plan's landing sites and references."""
    sites = []
    smallest = smallest_single_frame(frames)
    lumen = None if smallest is None else smallest.frame
    for name, frame in (("smallest lumen", lumen), ("smallest stent area", smallest_stent_frame(frames))):
        if frame is not None:
            sites.append(NamedSite(name, frame, float(frames["position_mm"].iloc[frame])))
    for key, label in (("references", "reference"), ("landing_sites", "landing")):
        for side in ("distal", "proximal"):
            site = ((plan or {}).get(key) or {}).get(side)
            if site and site.get("frame") is not None:
                position = site.get("position_mm")
                sites.append(
                    NamedSite(f"{side} {label}", int(site["frame"]) - 1, math.nan if position is None else position)
                )
    return tuple(sites)


def answers(
    record: Mapping[str, Any],
    frames: pd.DataFrame,
    plan: Mapping[str, Any] | None,
    assessment: Mapping[str, Any] | None,
) -> tuple[Answer, ...]:
    """The first screen, most asked for first."""
    scale_sd = record["calibration"]["relative_sd"]
    out = []
    smallest = smallest_single_frame(frames)
    if smallest is None:
        out.append(Answer("Smallest lumen", "–", "no frame could be measured"))
    else:
        row = frames.iloc[smallest.frame]
        parts = [_place(row), f"frame {smallest.frame + 1}"]
        parts.append(f"⌀ {number(row['lumen_min_diameter_mm'])} to {number(row['lumen_max_diameter_mm'], 2, 'mm')}")
        if math.isfinite(row["plaque_burden_pct"]):
            parts.append(f"plaque burden {row['plaque_burden_pct']:.0f} %")
        parts.append(smallest.words)
        value = with_sd(row["lumen_area_mm2"], row["lumen_area_sd_mm2"], scale_sd)
        out.append(Answer("Smallest lumen", value, " · ".join(p for p in parts if p)))
    if plan:
        out += _plan_answers(plan)
    if assessment:
        out += _assessment_answers(assessment)
    else:
        stent = smallest_stent_frame(frames)
        if stent is not None:
            row = frames.iloc[stent]
            value = with_sd(row["stent_area_mm2"], row["stent_area_sd_mm2"], scale_sd)
            out.append(
                Answer("Smallest stent area", value, " · ".join(p for p in (_place(row), f"frame {stent + 1}") if p))
            )
    out += [_length(record, frames), _doubtful(frames), _scale(record)]
    return tuple(out)


def _doubtful(frames: pd.DataFrame) -> Answer:
    cells = [parse_flags(cell) for cell in frames["flags"]]
    doubtful = sum(bool(cell & {Flag.LUMEN_DOUBTFUL, Flag.EEM_DOUBTFUL}) for cell in cells)
    hidden = sum(bool(cell & {Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW}) for cell in cells)
    confidence = frames["confidence"].dropna().median()
    middle = f"; median confidence of the lumen {confidence:.2f}" if math.isfinite(confidence) else ""
    return Answer("To look at first", f"{doubtful} of {len(frames)} frames", f"EEM not measurable in {hidden}{middle}")


def _scale(record: Mapping[str, Any]) -> Answer:
    calibration = record["calibration"]
    x, y = calibration["mm_per_px_x"], calibration["mm_per_px_y"]
    value = f"{x:.4f} mm/px" if x == y else f"{x:.4f} × {y:.4f} mm/px"
    sd = calibration["relative_sd"]
    known = "uncertainty not known, left out of every ±" if sd is None else f"± {100 * sd:.1f} %, in every ±"
    origin = {"region": "from the file's ultrasound region"}.get(calibration["origin"], calibration["origin"])
    return Answer("Length scale", value, f"{origin.replace('_', ' ')}; {known}")


def _place(row: pd.Series) -> str:
    if math.isfinite(row["position_mm"]):
        return f"{row['position_mm']:.1f} mm from distal"
    return f"at {row['time_s']:.2f} s" if math.isfinite(row["time_s"]) else ""


def _length(record: Mapping[str, Any], frames: pd.DataFrame) -> Answer:
    axis = record["axis"]
    position = frames["position_mm"].to_numpy(dtype=float)
    if not np.isfinite(position).any():
        return Answer("Length", "no millimetres", axis["detail"])
    length = float(np.nanmax(position) - np.nanmin(position))
    bound = "at least " if axis["lower_bound"] else ""
    # the first clause; all of it stands under "Time and place"
    detail = f"{axis['source'].replace('_', ' ')}: {axis['detail'].split(';')[0]}"
    return Answer("Length recorded", f"{bound}{length:.1f} mm", detail)


def _plan_answers(plan: Mapping[str, Any]) -> list[Answer]:
    out = []
    references = plan.get("references") or {}
    shown = [
        f"{side} {number(site.get('lumen_area_mm2'), 2, 'mm²')}"
        for side, site in references.items()
        if site is not None
    ]
    if shown:
        out.append(Answer("Reference lumen", " / ".join(shown), "distal and proximal; see the table for diameters"))
    if plan.get("length_mm") is not None:
        sd = plan.get("length_sd_mm")
        value = f"{plan['length_mm']:.1f}" + (f" ± {sd:.1f}" if sd is not None else "") + " mm"
        out.append(Answer("Between landing sites", value, "along the pullback axis"))
    sizes = [m["diameter_mm"] for m in plan.get("methods") or [] if m.get("diameter_mm") is not None]
    if sizes:
        low, high = min(sizes), max(sizes)
        value = f"{low:.2f} mm" if low == high else f"{low:.2f} to {high:.2f} mm"
        out.append(Answer("Device diameter", value, f"{len(sizes)} published methods; they disagree, see below"))
    return out


def _expansion(msa_mm2: float, assessment: Mapping[str, Any]) -> list[Answer]:
    """The smallest stent area against each reference that is known, and the widest gap behind the struts."""
    out = []
    references = assessment.get("references") or {}
    areas = {
        side: float(area)
        for side in ("distal", "proximal")
        if (area := (references.get(side) or {}).get("lumen_area_mm2")) is not None
    }
    shares = [f"{100 * msa_mm2 / area:.0f} % of the {side} one" for side, area in areas.items()]
    if len(areas) == 2:
        mean = sum(areas.values()) / 2
        out.append(
            Answer("Expansion", f"{100 * msa_mm2 / mean:.0f} %", "of the mean reference lumen; " + ", ".join(shares))
        )
    elif shares:
        out.append(Answer("Expansion", shares[0].split(" of ")[0], f"of the {next(iter(areas))} reference lumen alone"))
    quantities = assessment.get("quantities") or {}
    gap = (quantities.get("malapposition_mm") or {}).get("value")
    length = (quantities.get("malapposition_length_mm") or {}).get("value")
    if gap is None:
        out.append(Answer("Largest malapposition", "not known", "the wall behind the struts was not seen all along"))
    elif gap:
        detail = "" if not length else f"{length:.1f} mm long without a break"
        out.append(Answer("Largest malapposition", f"{gap:.2f} mm", detail))
    return out


def _assessment_answers(assessment: Mapping[str, Any]) -> list[Answer]:
    out = []
    read = assessment.get("msa_read_mm2")
    if read is not None:
        corrected = assessment.get("msa_corrected_mm2")
        detail = "" if corrected is None else f"{corrected:.2f} mm² corrected for picking the smallest of many frames"
        interval = assessment.get("msa") or {}
        if interval.get("low") is not None:
            detail += f" ({interval['low']:.2f} to {interval['high']:.2f}, 95 %)"
        out.append(Answer("Smallest stent area", f"{read:.2f} mm²", detail))
        out += _expansion(read, assessment)
    verdicts = [rule["verdict"] for rule in assessment.get("rules") or []]
    if verdicts:
        counts = {word: verdicts.count(word) for word in ("met", "not_met", "too_close_to_call", "not_assessable")}
        value = f"{counts['met']} met, {counts['not_met']} not met"
        detail = f"{counts['too_close_to_call']} too close to call, {counts['not_assessable']} not assessable"
        out.append(Answer("Expansion criteria", value, detail))
    return out
