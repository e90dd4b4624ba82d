"""`cohort.csv`: one row a run, gathered from the result folders."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from boreline.model import JsonValue
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
    smallest = _smallest(lumen)
    row["smallest_lumen_mm2"] = None if smallest is None else float(lumen.iloc[smallest])
    row["smallest_lumen_frame"] = None if smallest is None else int(frames["frame"].iloc[smallest])
    row.update(_profile_columns(profile))
    row.update(_plan_columns(folder.read_json("plan.json")))
    row.update(_assessment_columns(folder.read_json("assessment.json")))
    return row


def _profile_columns(profile: pd.DataFrame | None) -> dict[str, JsonValue]:
    names = (
        "length_mm",
        "lumen_volume_mm3",
        "vessel_volume_mm3",
        "atheroma_volume_mm3",
        "atheroma_volume_pct",
        "mla_mm2",
    )
    if profile is None:
        return dict.fromkeys((*names, "mla_position_mm"))
    position = profile["position_mm"].to_numpy()
    both = profile["lumen_area_mm2"].notna() & profile["eem_area_mm2"].notna()
    lumen, eem = (profile.loc[both, f"{part}_area_mm2"].to_numpy() for part in ("lumen", "eem"))
    step_mm = float(np.median(np.diff(position))) if len(position) > 1 else 0.0
    site = _smallest(profile["lumen_area_mm2"])
    return {
        "length_mm": float(np.ptp(position)),
        # Disc summation over the grid points at which both borders were measured.
        "lumen_volume_mm3": float(profile["lumen_area_mm2"].sum() * step_mm),
        "vessel_volume_mm3": float(eem.sum() * step_mm) if both.any() else None,
        "atheroma_volume_mm3": float((eem - lumen).sum() * step_mm) if both.any() else None,
        "atheroma_volume_pct": float(100.0 * (eem - lumen).sum() / eem.sum()) if both.any() else None,
        "mla_mm2": None if site is None else float(profile["lumen_area_mm2"].iloc[site]),
        "mla_position_mm": None if site is None else float(position[site]),
    }


def _plan_columns(plan: dict[str, Any] | None) -> dict[str, JsonValue]:
    plan = plan or {}
    references = plan.get("references") or {}
    return {
        "plan_length_mm": plan.get("length_mm"),
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


def _smallest(values: pd.Series) -> int | None:
    """Row of the smallest known value."""
    numbers = values.to_numpy(dtype=np.float64)
    return int(np.nanargmin(numbers)) if np.isfinite(numbers).any() else None


def _mean(values: pd.Series) -> float | None:
    return float(values.mean()) if values.notna().any() else None


def cohort_table(rows: Sequence[dict[str, JsonValue]]) -> pd.DataFrame:
    """All rows, sorted by run name; every column is text or a number, whatever the rows happen to know."""
    if not rows:
        return pd.DataFrame({"run": pd.Series(dtype="string")})
    table = pd.DataFrame(list(rows)).sort_values("run", ignore_index=True)
    return table.astype({name: "string" if name in _TEXT else "float64" for name in table.columns})
