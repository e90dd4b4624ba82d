"""The profile and its volumes on all frames, and on those of one cardiac phase."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from boreline.columns import PROFILE
from boreline.errors import InputRefused
from boreline.model import JsonValue
from boreline.profile.grid import profile_table
from boreline.profile.volumes import VolumeRule, segment_volumes
from boreline.results import ResultFolder, json_ready
from boreline.results.tables import write_csv


def profiles(
    where: str | Path, *, from_mm: float | None = None, to_mm: float | None = None, table: Path | None = None
) -> dict[str, JsonValue]:
    """Lengths, mean lumen and volumes of a result folder, on all frames and on the gated ones over the same length.

    Parameters
    ----------
    from_mm, to_mm
        Part of the vessel; else all that both profiles cover.
    table
        A CSV file to which the gated profile is written, with the columns of `profile.csv`.

    Raises
    ------
    InputRefused
        The run has no positions, was not gated, or the part is not covered.
    """
    folder = ResultFolder.open(where)
    frames = folder.frames()
    whole = profile_table(frames)
    if whole is None:
        raise InputRefused(
            "has no positions, so no profile", file=folder.path, remedy="state --pullback-speed or co-register"
        )
    gating = folder.record.get("gating") or {}
    if not frames["gated"].fillna(value=False).any():
        raise InputRefused(
            f"was not gated ({gating.get('detail', 'no reason recorded')})",
            file=folder.path,
            remedy="analyse again with --one-frame-per-beat, if its frames are triggered",
        )
    gated = profile_table(frames, gated_only=True)
    if gated is None:
        raise InputRefused("has fewer than two gated frames in the vessel", file=folder.path, remedy="use all frames")
    seen = [part.loc[part["lumen_area_mm2"].notna()] for part in (whole, gated)]
    if any(part.empty for part in seen):
        raise InputRefused(
            "has no lumen on the gated frames", file=folder.path, remedy="review those frames, or use all"
        )
    low = max(float(part["position_mm"].iloc[0]) for part in seen) if from_mm is None else from_mm
    high = min(float(part["position_mm"].iloc[-1]) for part in seen) if to_mm is None else to_mm
    out: dict[str, JsonValue] = {
        "from_mm": low,
        "to_mm": high,
        "gating": gating,
        "all_frames": _measured(folder, whole, low, high),
        "gated_frames": _measured(folder, gated, low, high),
    }
    if table is not None:
        write_csv(PROFILE, gated, table)
    ready = json_ready(out)
    assert isinstance(ready, dict)
    return ready


def _measured(folder: ResultFolder, profile: pd.DataFrame, low_mm: float, high_mm: float) -> dict[str, JsonValue]:
    rows = profile[profile["position_mm"].between(low_mm - 1e-6, high_mm + 1e-6)]
    if len(rows) < 2:
        raise InputRefused(
            f"has no profile from {low_mm:g} to {high_mm:g} mm",
            file=folder.path,
            remedy="name a longer part of the run",
        )
    position, lumen, eem = (
        rows[name].to_numpy(dtype=np.float64) for name in ("position_mm", "lumen_area_mm2", "eem_area_mm2")
    )
    return {
        "frames": int(rows["n_frames"].sum()),
        "rows_between_frames": int((rows["n_frames"] == 0).sum()),
        "mean_lumen_area_mm2": float(np.nanmean(lumen)) if np.isfinite(lumen).any() else None,
        "smallest_lumen_area_mm2": float(np.nanmin(lumen)) if np.isfinite(lumen).any() else None,
        "volumes": {
            rule.value: {
                **{name: value for name, value in asdict(found).items() if name != "rule"},
                "percent_atheroma_volume": found.percent_atheroma_volume,
            }
            for rule, found in ((rule, segment_volumes(position, lumen, eem, rule)) for rule in VolumeRule)
        },
    }
