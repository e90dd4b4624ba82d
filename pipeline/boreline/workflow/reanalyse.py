"""The same source again, by today's version or with other parameters; edits are carried over, differences shown."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from boreline.correction import differences, log_path, read_log, readers
from boreline.errors import InputRefused
from boreline.model import JsonValue, Phase, Vessel
from boreline.results import EDITS, ResultFolder, json_ready
from boreline.results.source import find_source
from boreline.results.transaction import claimed
from boreline.segmentation.protocol import Progress, no_progress
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline.workflow.apply_edits import apply_log

_NOT_CARRIED = ("marker.parquet", "path.parquet", "plan.json", "assessment.json", "dicom", "exchange", "imported")


@dataclass(frozen=True, slots=True)
class Reanalysed:
    """The new folder and how it differs from the old one (`report` is ready for JSON)."""

    folder: ResultFolder
    report: dict[str, JsonValue]


def reanalyse(
    path: Path,
    changes: Mapping[str, Any] | None = None,
    *,
    source: Path | None = None,
    threads: int = 1,
    progress: Progress = no_progress,
) -> Reanalysed:
    """Analyse a folder's run again, replay every reader's edits and swap the folders in one step.

    Parameters
    ----------
    changes
        Fields of `AnalyseOptions` that differ from those recorded in the folder.
    source
        The DICOM file, when it moved.

    Raises
    ------
    InputRefused
        The run cannot be analysed, or an edit log is damaged or of another run; the old folder stays as it was.
    """
    old = ResultFolder.open(path)
    where = find_source(old.path, source)
    before_options = recorded_options(old, calibration_given=bool((changes or {}).get("calibration_file")))
    options = AnalyseOptions(**{**before_options, **(changes or {}), "threads": threads})
    fresh = path.absolute().parent / f".{path.absolute().name}.{os.getpid()}.reanalysed"
    with claimed(path):
        try:
            new = analyse(where, fresh, options, progress=progress)
            if (old.path / EDITS).is_dir():
                shutil.copytree(old.path / EDITS, fresh / EDITS)
            report = _carry_over(old, new)
            _swap(path.absolute(), fresh)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    return Reanalysed(ResultFolder.open(path), report)


def recorded_options(folder: ResultFolder, *, calibration_given: bool = False) -> dict[str, Any]:
    """The options with which a folder was made, without a calibration file.

    Parameters
    ----------
    calibration_given
        The caller brings a calibration file.

    Raises
    ------
    InputRefused
        A calibration file was used: its path is not kept and must be given again.
    """
    stored = folder.record["parameters"]
    known = {field.name for field in fields(AnalyseOptions)} - {"threads", "overwrite"}
    options = {name: value for name, value in stored.items() if name in known and value is not None}
    if "mm_per_px" in options:
        options["mm_per_px"] = tuple(options["mm_per_px"])
    for name, vocabulary in (("vessel", Vessel), ("phase", Phase)):
        if name in options:
            options[name] = vocabulary(options[name])
    if options.pop("calibration_file", None) is not None and not calibration_given:
        raise InputRefused(
            "was calibrated with a file", file=folder.path, remedy="analyse it again with --calibration FILE"
        )
    return options


def _carry_over(old: ResultFolder, new: ResultFolder) -> dict[str, JsonValue]:
    calibration = new.calibration()
    automatic = differences(new.segmentation(automatic=True), old.segmentation(automatic=True), calibration)
    reader = old.record["current_reader"]
    present = readers(new.path)
    if reader is None and len(present) == 1:
        reader = present[0]
    edits = None if reader is None or not read_log(log_path(new.path, reader)) else apply_log(new, reader).report
    current = differences(new.segmentation(), old.segmentation(), calibration)
    value = {
        "folder": str(old.path),
        "versions": {"before": old.record["versions"], "after": new.record["versions"]},
        "segmenter": {
            name: {key: folder.record["segmenter"][key] for key in ("name", "version")}
            for name, folder in (("before", old), ("after", new))
        },
        "automatic": [difference.as_json() for difference in automatic],
        "current": [difference.as_json() for difference in current],
        "reader": reader,
        "edits": edits,
        "to_do_again": [name for name in _NOT_CARRIED if (old.path / name).exists()],
    }
    ready = json_ready(value)
    assert isinstance(ready, dict)
    return ready


def _swap(path: Path, fresh: Path) -> None:
    aside = path.parent / f".{path.name}.{os.getpid()}.old"
    path.rename(aside)
    try:
        fresh.rename(path)
    except BaseException:
        aside.rename(path)
        raise
    shutil.rmtree(aside, ignore_errors=True)
