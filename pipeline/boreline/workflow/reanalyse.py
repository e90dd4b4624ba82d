"""The same source again, by today's version or with other parameters; edits are carried over, differences shown."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from boreline.columns import MARKER, PATH
from boreline.correction import differences, log_path, read_log, readers
from boreline.errors import InputRefused
from boreline.model import JsonValue, Phase, Vessel
from boreline.reading.scale import ScaleEquation
from boreline.results import EDITS, ResultFolder, json_ready
from boreline.results.source import find_source
from boreline.results.transaction import claimed
from boreline.segmentation.protocol import Progress, no_progress
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline.workflow.apply_edits import apply_log
from boreline.workflow.carry_positions import carry_positions
from boreline.workflow.report import report as write_report

_POSITIONED = (MARKER.file, PATH.file)
_NOT_CARRIED = ("plan.json", "assessment.json", "dicom", "exchange", "imported")


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
    options = _options(old, changes or {}, threads)
    fresh = path.absolute().parent / f".{path.absolute().name}.{os.getpid()}.reanalysed"
    with claimed(path):
        try:
            new = analyse(where, fresh, options, progress=progress)
            if (old.path / EDITS).is_dir():
                shutil.copytree(old.path / EDITS, fresh / EDITS)
            carried = carry_positions(old, new)
            report = _carry_over(old, new, carried=carried, source=where)
            if carried:
                write_report([fresh], source=where)
            _swap(path.absolute(), fresh)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    return Reanalysed(ResultFolder.open(path), report)


def _options(old: ResultFolder, changes: Mapping[str, Any], threads: int) -> AnalyseOptions:
    given = {name: value for name, value in changes.items() if name != "scale_equation" or value is not None}
    before = recorded_options(old, calibration_given=given.get("calibration_file") is not None)
    return AnalyseOptions(**{**before, **given, "threads": threads})


def recorded_options(folder: ResultFolder, *, calibration_given: bool = False) -> dict[str, Any]:
    """The options with which a folder was made; a catheter's scale equation comes from the record, not from its file.

    Parameters
    ----------
    calibration_given
        The caller brings a calibration file, which takes the place of the recorded equation.

    Raises
    ------
    InputRefused
        A calibration file was used and its equation was not recorded: it must be given again.
    """
    stored = folder.record["parameters"]
    known = {field.name for field in fields(AnalyseOptions)} - {"threads", "overwrite"}
    options = {name: value for name, value in stored.items() if name in known and value is not None}
    if "mm_per_px" in options:
        options["mm_per_px"] = tuple(options["mm_per_px"])
    for name, vocabulary in (("vessel", Vessel), ("phase", Phase)):
        if name in options:
            options[name] = vocabulary(options[name])
    file, equation = options.pop("calibration_file", None), options.pop("scale_equation", None)
    if file is None or calibration_given:
        return options
    if equation is None:
        raise InputRefused(
            "was calibrated with a file whose equation was not recorded",
            file=folder.path,
            remedy="analyse it again with --calibration FILE",
        )
    return {**options, "calibration_file": Path(file), "scale_equation": ScaleEquation(**equation)}


def _carry_over(old: ResultFolder, new: ResultFolder, *, carried: bool, source: Path) -> dict[str, JsonValue]:
    new = ResultFolder.open(new.path)
    calibration = new.calibration()
    automatic = differences(new.segmentation(automatic=True), old.segmentation(automatic=True), calibration)
    reader = old.record["current_reader"]
    present = readers(new.path)
    if reader is None and len(present) == 1:
        reader = present[0]
    edits = (
        None
        if reader is None or not read_log(log_path(new.path, reader))
        else apply_log(new, reader, source=source).report
    )
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
        "positions": "carried" if carried else "computed",
        "to_do_again": [n for n in (() if carried else _POSITIONED) + _NOT_CARRIED if (old.path / n).exists()],
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
