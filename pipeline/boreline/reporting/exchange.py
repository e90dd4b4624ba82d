"""Files for other programs: tables as CSV and Parquet, their dictionary, the run's record and the sources."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from boreline.columns import FRAMES, PROFILE, TABLES
from boreline.expansion.criteria import load_criteria
from boreline.flags import Flag
from boreline.model import CAUTION
from boreline.reporting.bibliography import STANDARD, bibliography
from boreline.reporting.identity import Identity
from boreline.results import ResultFolder

README = """Tables of one intravascular ultrasound run, made by Boreline. data_dictionary.csv explains every column and
flag. An empty cell means not known or not measurable. Frames count from 1, as in DICOM. Lengths are in millimetres.
{identity}
{review}
{caution}
"""
_RECORD = (
    "schema",
    "versions",
    "created_at",
    "vessel",
    "phase",
    "calibration",
    "region",
    "centre_px",
    "timing",
    "pullback",
    "axis",
    "uncertainty",
    "segmenter",
    "parameters",
    "edits_hash",
    "operator",
    "stages",
    "warnings",
)
"""Keys of run.json that may leave the machine as they are; the rest stays or is rewritten."""


def write_exchange(folder: ResultFolder, target: Path, identity: Identity, *, review: str) -> list[Path]:
    """Write all exchange files into `target`, which must exist; returns them."""
    files = [*_copies(folder, target), *_parquet(folder, target)]
    files += [
        _text(target / "data_dictionary.csv", _dictionary()),
        _text(target / "run.json", json.dumps(exported_record(folder.record, identity), indent=2) + "\n"),
        _text(target / "sources.bib", bibliography(_sources(folder))),
        _text(target / "README.txt", README.format(caution=CAUTION, review=review, identity=_identity_line(identity))),
    ]
    return files


def exported_record(record: Mapping[str, Any], identity: Identity) -> dict[str, Any]:
    """`run.json` as it may leave the machine: an allow-list, UIDs as the DICOM objects of the export carry them."""
    out = {key: record[key] for key in _RECORD if key in record}
    source = dict(record["source"])
    source |= {
        "study_uid": identity.study_uid,
        "series_uid": identity.series_uid,
        "sop_instance_uid": identity.instance_uid,
    }
    return {**out, "source": source, "pseudonymous": not identity.kept, "caution": CAUTION}


def _identity_line(identity: Identity) -> str:
    if identity.kept:
        return "Identity: the DICOM objects carry the source's patient and study attributes."
    return "Identity: pseudonymous; names, dates, places and free text of the source were left out, UIDs replaced."


def _copies(folder: ResultFolder, target: Path) -> Iterator[Path]:
    names = [table.file for table in TABLES] + ["plan.json", "assessment.json"]
    for name in names:
        if (folder.path / name).is_file():
            yield Path(shutil.copyfile(folder.path / name, target / name))


def _parquet(folder: ResultFolder, target: Path) -> Iterator[Path]:
    for table, data in ((FRAMES, folder.frames()), (PROFILE, folder.profile())):
        if data is not None:
            out = (target / table.file).with_suffix(".parquet")
            data.to_parquet(out, index=False)
            yield out


def _dictionary() -> str:
    rows = [["table", "column", "type", "unit", "meaning"]]
    rows += [[t.file, c.name, c.kind.value, c.unit, c.meaning] for t in TABLES for c in t.columns]
    rows += [["flags", flag.value, "word", "", flag.meaning] for flag in Flag]
    lines = _Lines()
    csv.writer(lines, lineterminator="\n").writerows(rows)
    return "".join(lines)


class _Lines(list[str]):
    def write(self, text: str) -> int:
        self.append(text)
        return len(text)


def _sources(folder: ResultFolder) -> Iterator[str]:
    yield from STANDARD
    plan, assessment = folder.read_json("plan.json") or {}, folder.read_json("assessment.json") or {}
    for entry in (*(plan.get("methods") or ()), *(assessment.get("rules") or ())):
        if entry.get("source"):
            yield str(entry["source"])
    if not assessment:
        return
    yield from (rule.source for rule in load_criteria())


def _text(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path
