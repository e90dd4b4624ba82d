"""The current tables of a result folder from the automatic ones and one reader's edits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from boreline.correction import (
    Baseline,
    Edited,
    Entry,
    FrameCache,
    Replayed,
    State,
    differences,
    edited_result,
    log_hash,
    log_path,
    read_log,
    readers,
    replay,
)
from boreline.correction.edits import LOOKING, Ruler
from boreline.correction.log import hash_of
from boreline.correction.pictures import PictureOf
from boreline.errors import InputRefused
from boreline.model import Calibration, CalibrationOrigin, JsonValue, Structure, Timing
from boreline.profile.frames import frames_table, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.results import EDITS, ResultFolder, change, json_ready, put_json, put_profile, put_tables

UNEDITED_SCALE = "calibration_before_edits"


@dataclass(frozen=True, slots=True)
class Applied:
    """What a log amounts to in a folder."""

    reader: str
    replayed: Replayed
    edited: Edited
    report: dict[str, JsonValue]


def baseline_of(folder: ResultFolder, picture_of: PictureOf | None = None) -> Baseline:
    """The untouched automatic result and the scale it was measured with; with pictures when edits are to be applied."""
    record = folder.record
    stored = dict(record.get(UNEDITED_SCALE) or record["calibration"])
    calibration = Calibration(**{**stored, "origin": CalibrationOrigin(stored["origin"])})
    return Baseline(folder.segmentation(automatic=True), calibration, picture_of)


def _pictures(folder: ResultFolder, entries: Iterable[Entry], source: Path | None) -> PictureOf | None:
    """The run's pictures where edits look at them.

    Raises
    ------
    InputRefused
        They are needed and not at hand: applied by shape alone, the edits would lead to other contours.
    """
    if not any(isinstance(entry.edit, LOOKING) for entry in entries):
        return None
    try:
        return FrameCache(folder.open_run(source))
    except InputRefused as refusal:
        raise InputRefused(
            f"edits look at the run's pixels: {refusal.problem}",
            file=refusal.file,
            tag=refusal.tag,
            remedy="name the run: boreline review DIR --source RUN.dcm",
        ) from None


def apply_log(folder: ResultFolder, reader: str, *, source: Path | None = None) -> Applied:
    """Rebuild the tables from the automatic result, the run's pixels and the reader's log, in one step.

    Parameters
    ----------
    source
        The run's DICOM file, when it moved.

    Raises
    ------
    InputRefused
        The log is damaged or was made on another run, or the pixels that its edits look at are gone.
    """
    entries = read_log(log_path(folder.path, reader))
    baseline = baseline_of(folder, _pictures(folder, entries, source))
    replayed = replay(baseline, entries, sop_uid=folder.record["source"]["sop_instance_uid"])
    edited = edited_result(baseline, replayed.state)
    write_edited(folder, baseline, edited, replayed, reader=reader, edits_hash=hash_of(entries))
    return Applied(reader, replayed, edited, change_report(baseline, replayed, edited, reader))


def up_to_date(folder: ResultFolder) -> bool:
    """Rebuild tables that are older than the current reader's log; true when they had to be.

    A folder with exactly one log and no current reader takes that one.
    """
    record = folder.record
    reader = record.get("current_reader")
    if reader is None:
        present = readers(folder.path)
        if len(present) != 1:
            return False
        reader = present[0]
    if record.get("edits_hash") == log_hash(log_path(folder.path, reader)):
        return False
    apply_log(folder, reader)
    return True


def open_current(path: Path) -> ResultFolder:
    """The result folder at `path`, its tables rebuilt first when an edit came after them.

    Raises
    ------
    InputRefused
        It is no result folder, or its edits cannot be applied.
    """
    folder = ResultFolder.open(path)
    up_to_date(folder)
    return folder


def import_log(folder: ResultFolder, log: Path, *, reader: str | None = None, source: Path | None = None) -> Applied:
    """Take a log into the folder and apply it.

    Parameters
    ----------
    reader
        Whose log it becomes; by default the one who wrote it.
    source
        The run's DICOM file, when it moved.

    Raises
    ------
    InputRefused
        It is missing, empty or damaged, was made on another run, or the folder has other edits of that reader.
    """
    if not log.is_file():
        raise InputRefused("is no file", file=log, remedy="name the NAME.jsonl that a review wrote")
    entries = read_log(log)
    if not entries:
        raise InputRefused("holds no edits", file=log, remedy="name the NAME.jsonl that a review wrote")
    name = reader or entries[0].reader
    target = log_path(folder.path, name)
    present = read_log(target)
    if present != entries[: len(present)]:
        raise InputRefused("holds other edits", file=target, remedy="give another --reader")
    if any(entry.sop_uid != folder.record["source"]["sop_instance_uid"] for entry in entries):
        raise InputRefused("was made on another run", file=log, remedy="name the log that belongs to this run")
    _pictures(folder, entries, source)  # refused before anything is taken over
    with change(folder.path) as staging:
        (staging / EDITS).mkdir()
        (staging / EDITS / target.name).write_text("".join(entry.line() for entry in entries), encoding="utf-8")
    return apply_log(folder, name, source=source)


def write_edited(
    folder: ResultFolder, baseline: Baseline, edited: Edited, replayed: Replayed, *, reader: str, edits_hash: str | None
) -> None:
    """Measure an edited result and replace the folder's tables and record with it."""
    record = folder.record
    was = folder.frames()
    axis = folder.axis()
    inside = in_vessel(edited.segmentation.flags)
    axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, inside))
    times = was["time_s"].to_numpy(dtype=np.float64)
    timing = Timing(None if np.isnan(times).all() else times, record["timing"]["origin"])
    gated = None if was["gated"].isna().all() else was["gated"].fillna(value=False).to_numpy(dtype=np.bool_)
    frames = frames_table(edited.segmentation, edited.calibration, timing, axis, gated=gated, reviewed=edited.reviewed)
    profile = profile_table(frames)
    with change(folder.path) as staging:
        put_tables(staging, edited.segmentation, frames, None)
        put_profile(staging, profile)
        put_json(staging, "run.json", _record(record, baseline, edited, replayed, reader, edits_hash))


def _record(
    record: dict[str, Any],
    baseline: Baseline,
    edited: Edited,
    replayed: Replayed,
    reader: str,
    edits_hash: str | None,
) -> dict[str, JsonValue]:
    from dataclasses import asdict

    out: dict[str, JsonValue] = {**record, "current_reader": reader, "edits_hash": edits_hash}
    out.pop(UNEDITED_SCALE, None)
    if edited.calibration != baseline.calibration:
        out[UNEDITED_SCALE] = asdict(baseline.calibration)
    out["calibration"] = asdict(edited.calibration)
    out["operator"] = operator_record(edited, replayed.history.active, baseline)
    return out


def operator_record(edited: Edited | State, active: Iterable[Entry], baseline: Baseline) -> dict[str, JsonValue]:
    """What an operator said beyond contours: frames count from 1.

    `stent` is {first, last}, false for "no stent", null when nothing was said.
    """
    rulers = [entry.edit for entry in active if isinstance(entry.edit, Ruler)]
    stent = edited.stent
    return {
        "sites": {name.value: frame + 1 for name, frame in edited.sites.items()},
        "findings": [finding.model_dump(mode="json") for finding in edited.findings],
        "stent": {"first": stent[0] + 1, "last": stent[1] + 1} if isinstance(stent, tuple) else stent,
        "rulers": [
            {
                "frame": ruler.frame,
                "length_mm": ruler.length_mm,
                "measured_mm": ruler.measured_mm(baseline.calibration.mm_per_px),
                "use": ruler.use,
            }
            for ruler in rulers
        ],
    }


def change_report(baseline: Baseline, replayed: Replayed, edited: Edited, reader: str) -> dict[str, JsonValue]:
    """Which frames the edits changed, and by how much; frames count from 1."""
    state = replayed.state
    compared = differences(edited.segmentation, baseline.segmentation, baseline.calibration)
    value = {
        "reader": reader,
        "n_edits": len(replayed.history.active),
        "n_reviewed": len(state.reviewed),
        "n_accepted": len(state.accepted),
        "n_rejected": len(state.rejected),
        "edited": {s.value: sorted(f + 1 for t, f in state.edited if t is s) for s in Structure},
        "influenced": {s.value: sorted(f + 1 for t, f in state.influenced if t is s) for s in Structure},
        "edited_minus_automatic": [difference.as_json() for difference in compared],
        "held_back": {s.value: sorted(f + 1 for t, f in state.held_back if t is s) for s in Structure},
        "not_applied": [{"number": entry.number, "reason": reason} for entry, reason in replayed.refused],
    }
    ready = json_ready(value)
    assert isinstance(ready, dict)
    return ready


def compare_readers(folder: ResultFolder, *, source: Path | None = None) -> list[dict[str, JsonValue]]:
    """Every pair of readers with a log: how their results differ over the frames that either reviewed."""
    uid = folder.record["source"]["sop_instance_uid"]
    logs = {reader: read_log(log_path(folder.path, reader)) for reader in readers(folder.path)}
    baseline = baseline_of(folder, _pictures(folder, chain.from_iterable(logs.values()), source))
    results = {}
    for reader, entries in logs.items():
        replayed = replay(baseline, entries, sop_uid=uid)
        results[reader] = (replayed.state, edited_result(baseline, replayed.state).segmentation)
    rows: list[dict[str, JsonValue]] = []
    names = sorted(results)
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            frames = results[first][0].reviewed | results[second][0].reviewed
            for difference in differences(results[first][1], results[second][1], baseline.calibration, frames=frames):
                row = {"first": first, "second": second, "n_frames": len(frames), **difference.as_json()}
                rows.append(json_ready(row))
    return rows
