"""What a command prints once a run has been analysed."""

from __future__ import annotations

import numpy as np

from boreline.model import CAUTION, JsonValue
from boreline.profile.single_frame import smallest_single_frame
from boreline.results import ResultFolder, json_ready


def summary(folder: ResultFolder) -> dict[str, JsonValue]:
    """The run in a few figures, with ready-made `lines` for a terminal.

    The smallest lumen is the smallest of single frames that show the vessel; sites that need a profile, references and
    corrected minima come from `boreline plan` and `boreline assess`.
    """
    record = folder.record
    frames = folder.frames()
    lumen = frames["lumen_area_mm2"].to_numpy(dtype=float)
    measured = np.flatnonzero(np.isfinite(lumen))
    n_eem = int(frames["eem_area_mm2"].notna().sum())
    smallest = smallest_single_frame(frames)
    position = frames["position_mm"].to_numpy(dtype=float)
    length_mm = float(np.ptp(position[np.isfinite(position)])) if np.isfinite(position).any() else None
    report = str(folder.path / "report.html")

    lines = [
        f"{len(frames)} frames, lumen measured in {len(measured)}, EEM in {n_eem}",
        "calibration {mm_per_px_x:.5f} x {mm_per_px_y:.5f} mm/px ({detail})".format(**record["calibration"]),
        f"positions: {record['axis']['source']} ({record['axis']['detail']})",
    ]
    if length_mm is not None:
        lines.append(f"length {length_mm:.1f} mm")
    if smallest is not None:
        place = f" at {position[smallest.frame]:.1f} mm" if np.isfinite(position[smallest.frame]) else ""
        lines.append(
            f"smallest lumen {smallest.area_mm2:.2f} mm2, frame {smallest.frame + 1}{place} ({smallest.words})"
        )
    lines += [f"warning: {line}" for line in record["warnings"]]
    lines += [f"report: {report}", "not reviewed by an operator", CAUTION]
    value: dict[str, JsonValue] = {
        "folder": str(folder.path),
        "report": report,
        "n_frames": len(frames),
        "n_lumen": len(measured),
        "n_eem": n_eem,
        "length_mm": length_mm,
        "smallest_lumen": None
        if smallest is None
        else {
            "frame": smallest.frame + 1,
            "lumen_area_mm2": smallest.area_mm2,
            "position_mm": position[smallest.frame],
            "definition": smallest.words,
        },
        "calibration": record["calibration"],
        "axis": record["axis"],
        "warnings": record["warnings"],
        "caution": CAUTION,
        "lines": lines,
    }
    ready = json_ready(value)
    assert isinstance(ready, dict)
    return ready
