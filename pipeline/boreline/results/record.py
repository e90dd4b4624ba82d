"""`run.json`: what was read, with which parameters, by which versions, and the origin of every value."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import numpy as np

from boreline._version import __version__
from boreline.model import Axis, JsonValue, Run, Segmentation

SCHEMA = 1


class StageStatus(StrEnum):
    """How a stage ended; `run.json` gives the reason beside every word but the first."""

    DONE = "done"
    NOT_RUN = "not_run"
    NOT_POSSIBLE = "not_possible"


def run_record(
    run: Run,
    segmentation: Segmentation,
    axis: Axis,
    *,
    segmenter: str,
    segmenter_version: str,
    reading_options: Mapping[str, JsonValue],
    parameters: Mapping[str, JsonValue],
    stages: Mapping[str, tuple[StageStatus, str]],
    warnings: tuple[str, ...],
) -> dict[str, JsonValue]:
    """Everything but the tables, ready for JSON; `reading_options` are those that `read_run` took."""
    return {
        "schema": SCHEMA,
        "versions": {"boreline": __version__, "python": platform.python_version(), "numpy": np.__version__},
        "created_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "source": asdict(run.source),
        "vessel": run.vessel,
        "phase": run.phase,
        "calibration": asdict(run.calibration),
        "region": asdict(run.region),
        "centre_px": run.centre_px,
        "timing": {
            "origin": run.timing.origin,
            "frame_rate_hz": _frame_rate_hz(run),
            "r_waves_s": run.timing.r_waves_s.tolist(),
        },
        "pullback": asdict(run.pullback),
        "axis": axis_record(axis),
        "uncertainty": {
            "calibration_relative_sd": run.calibration.relative_sd,
            "area_correlation_frames": segmentation.correlation_frames,
            **axis_uncertainty(axis, segmentation.correlation_frames),
        },
        "segmenter": {"name": segmenter, "version": segmenter_version, "learnt": dict(segmentation.learnt)},
        "reading_options": dict(reading_options),
        "parameters": dict(parameters),
        "current_reader": None,
        "edits_hash": None,
        "stages": {name: {"status": status, "reason": reason} for name, (status, reason) in stages.items()},
        "warnings": list(warnings),
    }


def axis_record(axis: Axis) -> dict[str, JsonValue]:
    """What `run.json` keeps of an axis; the positions themselves stand in `frames.csv`."""
    return {
        "source": axis.source,
        "detail": axis.detail,
        "scale_relative_sd": axis.scale_relative_sd,
        "local_sd_mm": axis.local_sd_mm,
        "correlation_mm": axis.correlation_mm,
        "lower_bound": axis.lower_bound,
    }


def axis_uncertainty(axis: Axis, area_correlation_frames: float) -> dict[str, JsonValue]:
    """The shared uncertainties that depend on where the frames lie; None without positions."""
    spacing_mm = _frame_spacing_mm(axis)
    return {
        "axis_scale_relative_sd": axis.scale_relative_sd if axis.known else None,
        "axis_local_sd_mm": axis.local_sd_mm if axis.known else None,
        "axis_correlation_mm": axis.correlation_mm if axis.known else None,
        "area_correlation_mm": None if spacing_mm is None else area_correlation_frames * spacing_mm,
    }


def _frame_rate_hz(run: Run) -> float | None:
    times = run.timing.times_s
    if times is None or len(times) < 2 or times[-1] <= times[0]:
        return None
    return float((len(times) - 1) / (times[-1] - times[0]))


def _frame_spacing_mm(axis: Axis) -> float | None:
    steps = np.abs(np.diff(axis.position_mm))
    moving = steps[np.isfinite(steps) & (steps > 0)]
    return float(np.median(moving)) if moving.size else None


def json_ready(value: Any) -> JsonValue:
    """`value` with NaN and infinity as null, arrays as lists and keys as text."""
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return json_ready(value.tolist())
    if isinstance(value, list | tuple):
        return [json_ready(item) for item in value]
    if isinstance(value, np.generic):
        return json_ready(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value
