"""Runs and folders in words and numbers that `json.dumps` accepts: no dates, no patient data."""

from __future__ import annotations

import shlex
from collections import Counter
from pathlib import Path

import numpy as np

from boreline.model import FloatArray, JsonValue, Run, Timing
from boreline.reading.discovery import Found
from boreline.reading.header import media_class, read_header
from boreline.reading.runs import FoundPullback, FoundXray
from boreline.reading.syntaxes import MEDIA_DIRECTORY, uid_name
from boreline.reading.xray import XrayRun, is_xray


def kind_of(path: Path) -> str:
    """What to read a path as: ``"folder"`` (or a DICOM directory), ``"xray"`` or ``"run"``.

    Raises
    ------
    InputRefused
        It cannot be read, or is no DICOM file.
    """
    if path.is_dir() or media_class(path) == MEDIA_DIRECTORY:
        return "folder"
    return "xray" if is_xray(read_header(path)) else "run"


def describe_run(run: Run) -> dict[str, JsonValue]:
    """What a pullback is, its cross-section, scale, timing, declared motion and warnings."""
    source, region, pullback = run.source, run.region, run.pullback
    scale = run.calibration
    return {
        "kind": "pullback",
        "source": {
            "object_class": uid_name(source.sop_class_uid),
            "modality": source.modality,
            "transfer_syntax": uid_name(source.transfer_syntax_uid),
            "photometric": source.photometric,
            "rows": source.rows,
            "columns": source.columns,
            "frames": source.n_frames,
            "bits_stored": source.bits_stored,
            "decoder": source.decoder,
            "lossy": source.lossy,
            "burned_in_annotation": source.burned_in,
            "transducer_frequency_mhz": source.transducer_frequency_mhz,
        },
        "cross_section": {
            "x0_px": region.x0,
            "y0_px": region.y0,
            "x1_px": region.x1,
            "y1_px": region.y1,
            "width_mm": round(region.width_px * scale.mm_per_px_x, 4),
            "height_mm": round(region.height_px * scale.mm_per_px_y, 4),
            "stated_centre_px": None if run.centre_px is None else list(run.centre_px),
        },
        "calibration": {
            "mm_per_px_x": scale.mm_per_px_x,
            "mm_per_px_y": scale.mm_per_px_y,
            "origin": scale.origin.value,
            "detail": scale.detail,
            "relative_sd": scale.relative_sd,
        },
        "timing": _describe_timing(run.timing),
        "pullback": {
            "kind": pullback.kind.value,
            "speed_mm_s": pullback.speed_mm_s,
            "gated_mm_per_beat": pullback.gated_mm_per_beat,
            "first_moving_frame": None if pullback.start_frame is None else pullback.start_frame + 1,
            "last_moving_frame": None if pullback.stop_frame is None else pullback.stop_frame + 1,
            "length_mm": _motor_length_mm(run),
            "problem": pullback.problem,
        },
        "parameters": dict(run.parameters),
        "warnings": list(run.warnings),
    }


def describe_xray(run: XrayRun) -> dict[str, JsonValue]:
    """What an X-ray run is, its view, scale, timing and warnings."""
    return {
        "kind": "xray",
        "source": {
            "rows": run.rows,
            "columns": run.columns,
            "frames": run.n_frames,
            "bits_stored": run.bits_stored,
            "decoder": run.decoder,
            "lossy": run.lossy,
            "radiation": run.radiation.name.lower(),
            "plane": run.plane,
            "intensity_relationship": run.intensity_relationship,
        },
        "view": {
            "primary_deg": _first(run.primary_deg),
            "secondary_deg": _first(run.secondary_deg),
            "positioner_moves": run.positioner_moves,
            "table_moves": run.table_moves,
            "source_to_detector_mm": run.distance_source_to_detector_mm,
            "source_to_patient_mm": run.distance_source_to_patient_mm,
        },
        "calibration": {
            "mm_per_px_x": run.scale.mm_per_px_x if run.scale else None,
            "mm_per_px_y": run.scale.mm_per_px_y if run.scale else None,
            "origin": run.scale.origin.value if run.scale else None,
            "detail": run.scale.detail if run.scale else run.scale_problem,
        },
        "timing": _describe_timing(run.timing),
        "warnings": list(run.warnings),
    }


def describe_found(found: Found) -> dict[str, JsonValue]:
    """What a folder holds, which runs belong together, and what to type next."""
    return {
        "kind": "folder",
        "folder": str(found.folder),
        "pullbacks": [_found_pullback(run) for run in found.pullbacks],
        "xrays": [_found_xray(run) for run in found.xrays],
        "pairs": [
            {
                "pullback": str(pair.pullback.path),
                "fluoro": None if pair.fluoro is None else str(pair.fluoro.path),
                "cine": None if pair.cine is None else str(pair.cine.path),
                "reason": pair.reason,
            }
            for pair in found.pairs
        ],
        "skipped": [{"path": str(item.path), "reason": item.reason} for item in found.skipped],
        "skipped_reasons": dict(Counter(item.reason for item in found.skipped).most_common()),
        "notes": list(found.notes),
        "next": next_commands(found),
    }


def next_commands(found: Found) -> list[str]:
    """The commands to type next, in order."""
    sound = [run for run in found.pullbacks if run.defect is None]
    if not sound:
        return []
    commands = []
    first = next((pair.pullback for pair in found.pairs), sound[0])
    out = f"results/{_result_name(first, sound, found.folder)}"
    commands.append(f"boreline analyse {shlex.quote(str(first.path))} --out {shlex.quote(out)}")
    commands += [
        f"boreline coregister {shlex.quote(out)} --fluoro {shlex.quote(str(pair.fluoro.path))} "
        f"--cine {shlex.quote(str(pair.cine.path))}"
        for pair in found.pairs
        if pair.pullback is first and pair.fluoro and pair.cine
    ]
    commands.append(f"boreline review {shlex.quote(out)}")
    if len(sound) > 1:
        commands.append(f"boreline batch {shlex.quote(str(found.folder))} --out results")
    return commands


def _result_name(run: FoundPullback, others: list[FoundPullback], folder: Path) -> str:
    """The file's name; the way to it as well where other runs are called the same, as in most exports."""
    if sum(other.path.stem == run.path.stem for other in others) == 1:
        return run.path.stem
    return "-".join(run.path.relative_to(folder).with_suffix("").parts)


def _describe_timing(timing: Timing) -> dict[str, JsonValue]:
    times = timing.times_s
    rate = None
    if times is not None and len(times) > 1 and times[-1] > 0:
        rate = round((len(times) - 1) / float(times[-1]), 4)
    return {
        "origin": timing.origin,
        "frame_rate_hz": rate,
        "duration_s": None if times is None else round(float(times[-1]), 4),
        "r_waves": len(timing.r_waves_s),
        "acquisition_time_stated": timing.acquired_at is not None,
        "clock_synchronised": timing.clock_uid is not None,
    }


def _motor_length_mm(run: Run) -> float | None:
    speed_mm_s, times_s = run.pullback.speed_mm_s, run.timing.times_s
    if speed_mm_s is None or times_s is None:
        return None
    start = run.pullback.start_frame or 0
    stop = run.n_frames - 1 if run.pullback.stop_frame is None else run.pullback.stop_frame
    return round(speed_mm_s * float(times_s[stop] - times_s[start]), 3)


def _first(values: FloatArray) -> float | None:
    return float(values[0]) if np.isfinite(values[0]) else None


def _found_pullback(run: FoundPullback) -> dict[str, JsonValue]:
    return {
        "path": str(run.path),
        "frames": run.n_frames,
        "duration_s": None if run.duration_s is None else round(run.duration_s, 3),
        "pullback": None if run.kind is None else run.kind.value,
        "defect": run.defect,
    }


def _found_xray(run: FoundXray) -> dict[str, JsonValue]:
    view = run.view_deg if run.view_deg is not None and np.all(np.isfinite(run.view_deg)) else None
    return {
        "path": str(run.path),
        "radiation": None if run.radiation is None else run.radiation.name.lower(),
        "frames": run.n_frames,
        "duration_s": None if run.duration_s is None else round(run.duration_s, 3),
        "view_deg": None if view is None else list(view),
        "defect": run.defect,
    }
