"""`cohort.csv`: one row a run, gathered from the result folders."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from boreline.model import JsonValue
from boreline.profile.record import profile_from_table
from boreline.profile.single_frame import smallest_single_frame
from boreline.profile.sites import minimum_lumen
from boreline.profile.volumes import VolumeRule, fill_short_gaps, segment_volumes
from boreline.results import ResultFolder

DOUBTFUL_BELOW = 0.5
"""A frame whose lumen confidence is lower counts as doubtful in the cohort table (own choice)."""

_TEXT = {
    "run",
    "vessel",
    "phase",
    "calibration_origin",
    "position_source",
    "segmenter",
    "boreline_version",
    "notes",
}


def cohort_row(name: str, folder: ResultFolder) -> dict[str, JsonValue]:
    """One run in one row; every length in mm, area in mm2, volume in mm3; None where not known."""
    record = folder.record
    frames = folder.frames()
    profile = folder.profile()
    lumen = frames["lumen_area_mm2"]
    measured = lumen.notna()
    row: dict[str, JsonValue] = {
        "run": name,
        "vessel": record["vessel"],
        "phase": record["phase"],
        "n_frames": len(frames),
        "frame_rate_hz": record["timing"]["frame_rate_hz"],
        "mm_per_px_x": record["calibration"]["mm_per_px_x"],
        "mm_per_px_y": record["calibration"]["mm_per_px_y"],
        "calibration_origin": record["calibration"]["origin"],
        "position_source": record["axis"]["source"],
        "segmenter": record["segmenter"]["name"],
        "boreline_version": record["versions"]["boreline"],
        "lumen_measured_pct": 100.0 * float(measured.mean()),
        "eem_measured_pct": 100.0 * float(frames["eem_area_mm2"].notna().mean()),
        "mean_confidence": _mean(frames["confidence"]),
        "doubtful_pct": 100.0 * float((frames["confidence"] < DOUBTFUL_BELOW).mean()),
        "reviewed_pct": 100.0 * float(frames["reviewed"].fillna(value=False).astype(bool).mean()),
        "n_warnings": len(record["warnings"]),
    }
    smallest = smallest_single_frame(frames)
    row["smallest_lumen_mm2"] = None if smallest is None else smallest.area_mm2
    row["smallest_lumen_frame"] = None if smallest is None else smallest.frame + 1
    row.update(_profile_columns(profile))
    row.update(_plan_columns(folder.read_json("plan.json")))
    row.update(_assessment_columns(folder.read_json("assessment.json")))
    return row


def _profile_columns(table: pd.DataFrame | None) -> dict[str, JsonValue]:
    names = (
        "length_mm",
        "lumen_volume_mm3",
        "vessel_volume_mm3",
        "atheroma_volume_mm3",
        "atheroma_volume_pct",
        "atheroma_known_pct",
        "mla_mm2",
        "mla_position_mm",
    )
    row: dict[str, JsonValue] = dict.fromkeys(names)
    if table is None or len(table) < 2:
        return row
    profile = profile_from_table(table)
    position = profile.position_mm
    row["length_mm"] = float(np.ptp(position))
    # Volumes of the whole run: empty where a border is missing over more than the permitted gap.
    volumes = segment_volumes(position, profile.lumen_area_mm2, profile.eem_area_mm2, VolumeRule.DISC)
    row["lumen_volume_mm3"] = volumes.lumen_mm3
    row["vessel_volume_mm3"] = volumes.vessel_mm3
    row["atheroma_volume_mm3"] = volumes.plaque_mm3
    lumen = fill_short_gaps(position, profile.lumen_area_mm2)
    eem = fill_short_gaps(position, profile.eem_area_mm2)
    both = np.isfinite(lumen) & np.isfinite(eem)
    row["atheroma_known_pct"] = 100.0 * float(both.mean())
    if both.any():
        row["atheroma_volume_pct"] = float(100.0 * (eem - lumen)[both].sum() / eem[both].sum())
    site = minimum_lumen(profile, 0, profile.n_rows - 1)
    if site is not None:
        row["mla_mm2"], row["mla_position_mm"] = site.lumen_area_mm2, site.position_mm
    return row


def _plan_columns(plan: dict[str, Any] | None) -> dict[str, JsonValue]:
    plan = plan or {}
    references = plan.get("references") or {}
    lesion = plan.get("lesion") or {}
    start, end = lesion.get("from_mm"), lesion.get("to_mm")
    return {
        "plan_length_mm": plan.get("length_mm"),
        "lesion_length_mm": None if start is None or end is None else end - start,
        "lesion_mla_read_mm2": lesion.get("mla_read_mm2"),
        "lesion_mla_corrected_mm2": lesion.get("mla_corrected_mm2"),
        **{
            f"{side}_reference_{part}_mm2": (references.get(side) or {}).get(f"{part}_area_mm2")
            for side in ("distal", "proximal")
            for part in ("lumen", "eem")
        },
    }


def _assessment_columns(assessment: dict[str, Any] | None) -> dict[str, JsonValue]:
    assessment = assessment or {}
    verdicts = [rule["verdict"] for rule in assessment.get("rules", [])]
    return {
        "msa_read_mm2": assessment.get("msa_read_mm2"),
        "msa_corrected_mm2": assessment.get("msa_corrected_mm2"),
        **{
            f"rules_{verdict}": verdicts.count(verdict) if verdicts else None
            for verdict in ("met", "not_met", "too_close_to_call", "not_assessable")
        },
    }


def _mean(values: pd.Series) -> float | None:
    return float(values.mean()) if values.notna().any() else None


def cohort_table(rows: Sequence[dict[str, JsonValue]]) -> pd.DataFrame:
    """All rows, sorted by run name; every column is text or a number, whatever the rows happen to know."""
    if not rows:
        return pd.DataFrame({"run": pd.Series(dtype="string")})
    table = pd.DataFrame(list(rows)).sort_values("run", ignore_index=True)
    return table.astype({name: "string" if name in _TEXT else "float64" for name in table.columns})
