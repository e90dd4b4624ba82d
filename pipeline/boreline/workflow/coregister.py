"""Give a result folder its millimetres from fluoroscopy and cine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from boreline.columns import FRAMES, MARKER, PATH
from boreline.flags import Flag, parse_flags
from boreline.model import Axis, FloatArray, JsonValue
from boreline.position.acquisition import Check, check_acquisition
from boreline.position.centreline import Image
from boreline.position.coregistration import Coregistration
from boreline.position.coregistration import coregister as register_runs
from boreline.position.figure import Mark, draw_path
from boreline.position.films import pictures
from boreline.position.landmarks import (
    branch_mouths,
    compare_landmarks,
    guide_entry,
    guide_tip,
    ivus_branches,
    mean_picture,
)
from boreline.profile.frames import POSITION_DECIMALS, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.reading import XrayRun, read_xray
from boreline.reporting.page import write_case_report
from boreline.reporting.vessel_picture import masked_frame, save_vessel_picture
from boreline.results import (
    ResultFolder,
    StageStatus,
    afterwards,
    axis_record,
    axis_uncertainty,
    change,
    put_json,
    put_profile,
)
from boreline.results.tables import write_csv
from boreline.workflow.apply_edits import open_current
from boreline.workflow.report import PAGE

FIGURE = "coregistration.png"


@dataclass(frozen=True, slots=True)
class CoregisterOptions:
    """What an operator may state; everything is recorded.

    Attributes
    ----------
    offset_s
        Seconds from the first IVUS frame to the first fluoroscopy frame.
    clicks
        Marker places (x, y) by fluoroscopy frame, counted from 1.
    ends_px
        Distal and proximal end of the vessel on the cine frame.
    xray_mm_per_px
        X-ray scale, instead of that of the file.
    guide
        Size in French of the guide catheter and a place on it in the first cine frame, for the X-ray scale.
    vasodilator
        The operator's note for the acquisition check; never inferred.
    source
        The IVUS run, when it was moved.
    """

    offset_s: float | None = None
    clicks: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    ends_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    xray_mm_per_px: float | None = None
    guide: tuple[float, tuple[float, float]] | None = None
    vasodilator: bool | None = None
    source: Path | None = None


def coregister(
    where: Path, fluoro: Path, cine: Path, cine2: Path | None = None, options: CoregisterOptions | None = None
) -> ResultFolder:
    """Place the frames of a result folder and rebuild its profile and page, all files in one step.

    Raises
    ------
    InputRefused
        The X-ray runs do not fit the run or each other; nothing is placed (edits not yet applied are, before).
    """
    options = CoregisterOptions() if options is None else options
    folder = open_current(where)
    run = folder.open_run(options.source)
    films = read_xray(fluoro), read_xray(cine), None if cine2 is None else read_xray(cine2)
    result = register_runs(
        run,
        *films,
        offset_s=options.offset_s,
        clicks={number - 1: place for number, place in options.clicks.items()},
        ends_px=options.ends_px,
        mm_per_px=options.xray_mm_per_px,
        guide=options.guide,
        names=(str(fluoro), str(cine)),
    )
    frames = folder.frames()
    flags = tuple(parse_flags(cell) for cell in frames["flags"])
    inside = in_vessel(flags)
    picture = _picture(films[1], result)
    landmarks = _landmarks(picture, films[0], flags, result)
    axis = replace(result.axis, position_mm=origin_in_vessel(result.axis.position_mm, inside))
    frames["position_mm"] = np.round(axis.position_mm, POSITION_DECIMALS)
    profile = profile_table(frames)
    with change(folder.path) as staging:
        write_csv(FRAMES, frames, staging / FRAMES.file)
        put_profile(staging, profile)
        pq.write_table(_marker_table(result), staging / MARKER.file)
        pq.write_table(_path_table(result), staging / PATH.file)
        shown, hidden = masked_frame(films[1], result.cine_frame)
        (staging / FIGURE).write_bytes(_figure(folder, shown, result, axis, profile))
        save_vessel_picture(staging, shown, hidden, result.path_px, result.record["xray_mm_per_px"])
        checks = check_acquisition(
            run, films[0], films[1], offset_s=options.offset_s, result=result, vasodilator=options.vasodilator
        )
        put_json(staging, "run.json", _record(folder.record, result, axis, films, options, checks, landmarks))
        with afterwards(staging) as view:
            write_case_report([(ResultFolder(view), run)], staging / PAGE)
    return folder


def _marker_table(result: Coregistration) -> pa.Table:
    marker = result.marker
    known = np.isfinite(marker.xy_px[:, 0])
    return pa.table(
        {
            "frame": pa.array(np.flatnonzero(known) + 1, pa.int32()),
            "x_px": marker.xy_px[known, 0],
            "y_px": marker.xy_px[known, 1],
            "confidence": marker.confidence[known],
        }
    )


def _path_table(result: Coregistration) -> pa.Table:
    known = np.isfinite(result.arc_mm)
    return pa.table(
        {
            "frame": pa.array(np.flatnonzero(known) + 1, pa.int32()),
            "x_px": result.path_px[known, 0],
            "y_px": result.path_px[known, 1],
            "arc_mm": result.arc_mm[known],
        }
    )


def _picture(cine: XrayRun, result: Coregistration) -> Image:
    intensity = next(iter(cine.frames(result.cine_frame, result.cine_frame + 1))).intensity
    return np.zeros((cine.rows, cine.columns), np.uint8) if intensity is None else intensity


def _landmarks(
    picture: Image, fluoro: XrayRun, flags: tuple[frozenset[Flag], ...], result: Coregistration
) -> dict[str, JsonValue]:
    """Branch mouths and the guide's entry in both pictures; the leave-one-out error needs two pairs."""
    scale = result.record["xray_mm_per_px"]
    still = mean_picture(pictures(fluoro), result.onto_cine_px)
    tip_px = float("nan") if still is None else guide_tip(still, result.line, scale)
    found = compare_landmarks(
        (ivus_branches(flags, result.arc_mm), result.on_line_mm(branch_mouths(picture, result.line, scale))),
        (guide_entry(flags, result.arc_mm), float(result.on_line_mm(np.array([tip_px]))[0])),
    )
    return {
        "kinds": list(found.kinds),
        "ivus_mm": found.ivus_mm,
        "xray_mm": found.xray_mm,
        "leave_one_out_mm": found.leave_one_out_mm,
        "mean_leave_one_out_mm": float(found.leave_one_out_mm.mean()) if found.leave_one_out_mm.size else None,
    }


def _figure(
    folder: ResultFolder, picture: Image, result: Coregistration, axis: Axis, profile: pd.DataFrame | None
) -> bytes:
    zero_mm = float(np.nanmedian(result.arc_mm - axis.position_mm))
    marks = _marks(folder.read_json("plan.json"), result, axis.position_mm, profile)
    return draw_path(picture, result.line, result.line_arc_mm, zero_mm, marks)


def _marks(
    plan: Mapping[str, Any] | None, result: Coregistration, position_mm: FloatArray, profile: pd.DataFrame | None
) -> Sequence[Mark]:
    places: list[tuple[str, float]] = []
    if profile is not None and profile["lumen_area_mm2"].notna().any():
        areas = profile["lumen_area_mm2"].to_numpy(dtype=np.float64)
        row = int(np.nanargmin(areas))
        places.append((f"smallest lumen {areas[row]:.2f} mm2", float(profile["position_mm"].to_numpy()[row])))
    for group, word in (("references", "reference"), ("landing_sites", "landing site")):
        for side, site in ((plan or {}).get(group) or {}).items():
            if isinstance(site, Mapping) and isinstance(site.get("position_mm"), int | float):
                places.append((f"{side} {word}", float(site["position_mm"])))
    marks = []
    for label, place_mm in places:
        away = np.abs(position_mm - place_mm)
        if np.isfinite(away).any():
            x, y = result.path_px[int(np.nanargmin(away))]
            marks.append(Mark((float(x), float(y)), f"{label} at {place_mm:.1f} mm"))
    return marks


def _record(
    record: dict[str, Any],
    result: Coregistration,
    axis: Axis,
    films: tuple[XrayRun, XrayRun, XrayRun | None],
    options: CoregisterOptions,
    checks: tuple[Check, ...],
    landmarks: dict[str, JsonValue],
) -> dict[str, JsonValue]:
    stated = {
        "offset_s": options.offset_s,
        "clicks": [[frame, *place] for frame, place in sorted(options.clicks.items())],
        "ends_px": options.ends_px,
        "xray_mm_per_px": options.xray_mm_per_px,
        "guide": options.guide,
        "vasodilator": options.vasodilator,
    }
    before = record.get("coregistration") or {}
    earlier = set(before.get("warnings", []))
    shared = record["uncertainty"]
    placed = {"status": StageStatus.DONE, "reason": ""}
    return {
        **record,
        "axis": axis_record(axis),
        "uncertainty": {**shared, **axis_uncertainty(axis, shared["area_correlation_frames"])},
        "coregistration": {
            **result.record,
            "fluoro_sop_instance_uid": films[0].sop_instance_uid,
            "cine_sop_instance_uid": films[1].sop_instance_uid,
            "cine2_sop_instance_uid": None if films[2] is None else films[2].sop_instance_uid,
            "landmarks": landmarks,
            "stated": stated,
            "figure": FIGURE,
            "warnings": list(axis.warnings),
        },
        "acquisition": [check.as_json() for check in checks],
        "stages": {**record["stages"], "position": placed, "profile": placed},
        "warnings": [line for line in record["warnings"] if line not in earlier] + list(axis.warnings),
    }
