"""Positions from co-registration, taken over by a new analysis of the same frames."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import Any

import numpy as np

from boreline.columns import FRAMES, MARKER, PATH
from boreline.flags import parse_flags
from boreline.model import FloatArray, JsonValue
from boreline.profile.frames import POSITION_DECIMALS, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.reporting.vessel_picture import FILE as VESSEL_PICTURE
from boreline.results import ResultFolder, change, put_json, put_profile
from boreline.results.tables import write_csv

INPUTS = ("pullback_speed_mm_s", "frame_rate_hz", "whole_frames_only", "one_frame_per_beat")
"""Options on which the time and place of a frame depend; one that an earlier version did not record was not set."""


def carry_positions(old: ResultFolder, new: ResultFolder) -> bool:
    """Give the frames of `new` the positions that `old` has from co-registration; false when they are not the same.

    The runs are the same file. Places are kept as they are, but for the 0 mm, which follows what `new` finds to lie
    inside the vessel. `run.json` says that they were carried, and from which version.
    """
    was, now = old.record, new.record
    if not was.get("coregistration") or not (old.path / PATH.file).is_file() or not _same_inputs(was, now):
        return False
    axis = old.axis()
    frames = new.frames()
    if len(frames) != len(axis.position_mm):
        return False
    inside = in_vessel(tuple(parse_flags(cell) for cell in frames["flags"]))
    axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, inside))
    frames["position_mm"] = np.round(axis.position_mm, POSITION_DECIMALS)
    profile = profile_table(frames)
    with change(new.path) as staging:
        write_csv(FRAMES, frames, staging / FRAMES.file)
        put_profile(staging, profile)
        for name in (MARKER.file, PATH.file, VESSEL_PICTURE, was["coregistration"].get("figure")):
            if name and (old.path / name).is_file():
                shutil.copy2(old.path / name, staging / name)
        put_json(staging, "run.json", _record(was, now, axis.position_mm))
    return True


def _same_inputs(was: dict[str, Any], now: dict[str, Any]) -> bool:
    same_run = was["source"]["sop_instance_uid"] == now["source"]["sop_instance_uid"]
    return same_run and all(
        (was["parameters"].get(name) or None) == (now["parameters"].get(name) or None) for name in INPUTS
    )


def _record(was: dict[str, Any], now: dict[str, Any], position_mm: FloatArray) -> dict[str, JsonValue]:
    steps = np.abs(np.diff(position_mm))
    moving = steps[np.isfinite(steps) & (steps > 0)]
    frames = now["uncertainty"]["area_correlation_frames"]
    carried = {
        "from_versions": was["versions"],
        "detail": "positions, marker and path as they were; only the 0 mm was set anew; the landmarks compare the "
        "side branches of the earlier analysis",
    }
    earlier = was["coregistration"]
    own = set(now["warnings"])
    return {
        **now,
        "axis": was["axis"],
        "uncertainty": {
            **now["uncertainty"],
            **{name: value for name, value in was["uncertainty"].items() if name.startswith("axis_")},
            "area_correlation_mm": frames * float(np.median(moving)) if moving.size and frames is not None else None,
        },
        "coregistration": {**earlier, "carried": carried},
        "acquisition": was["acquisition"],
        "stages": {**now["stages"], **{name: was["stages"][name] for name in ("position", "profile")}},
        "warnings": now["warnings"] + [line for line in earlier.get("warnings", []) if line not in own],
    }
