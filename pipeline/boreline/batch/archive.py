"""What an archive holds: the pullbacks to analyse, what belongs to each, and what was passed over."""

from __future__ import annotations

import csv
import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from boreline.errors import InputRefused
from boreline.model import JsonValue
from boreline.reading.discovery import Found, discover
from boreline.reading.header import media_class
from boreline.reading.syntaxes import MEDIA_DIRECTORY
from boreline.vocabulary import Phase, Vessel

NAME_LENGTH = 12
MAPPING_COLUMNS = (
    "file",
    "fluoro",
    "cine",
    "cine2",
    "before",
    "vessel",
    "phase",
    "mm_per_pixel_x",
    "mm_per_pixel_y",
    "pullback_speed_mm_s",
    "balloon_mm",
)
"""Columns of a mapping file; only `file` is required, paths are relative to the mapping file's folder."""
_NUMBERS = MAPPING_COLUMNS[7:]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A pullback of the archive.

    `defect` says why it would be refused without an operator's override; `twin_of` names the earlier file with the
    same SOP Instance UID.
    """

    name: str
    file: Path
    relative: str
    sop_instance_uid: str
    defect: str | None
    study_uid: str = ""
    fluoro: Path | None = None
    cine: Path | None = None
    stated: Mapping[str, str] = field(default_factory=dict)
    twin_of: str | None = None


@dataclass(frozen=True, slots=True)
class Archive:
    """Candidates in the order of their paths, and (file, reason) of everything else."""

    root: Path
    candidates: tuple[Candidate, ...]
    skipped: tuple[tuple[str, str], ...]


def read_archive(source: Path, *, pattern: str = "*", mapping: Path | None = None, pseudonym_key: str = "") -> Archive:
    """Find the pullbacks of a folder, or those that a CSV list names.

    Parameters
    ----------
    source
        A folder, its DICOMDIR, or a CSV with the columns `MAPPING_COLUMNS`.
    pattern
        Only pullbacks whose path within the folder matches this pattern.
    mapping
        A CSV of the same columns that states more about some of the pullbacks.
    pseudonym_key
        Mixed into the names.

    Raises
    ------
    InputRefused
        The folder or list cannot be read, a listed file is missing, or there is no candidate.
    """
    listed = source.is_file() and not _is_directory_of_export(source)
    rows = _read_mapping(source) if listed else {}
    if mapping is not None:
        rows |= _read_mapping(mapping)
    root = source.parent if source.is_file() else source
    folders = sorted({path.parent for path in rows}) if listed else [root]
    found = [discover(folder) for folder in folders]
    candidates: dict[Path, Candidate] = {}
    for part in found:
        for candidate in _candidates(part, root, rows, pseudonym_key):
            wanted = candidate.file.resolve() in rows if listed else Path(candidate.relative).match(pattern)
            if wanted:
                candidates[candidate.file] = candidate
    if not candidates:
        raise InputRefused("holds no pullback", file=source, remedy="see: boreline inspect FOLDER")
    skipped = [] if listed else [(_relative(s.path, root), s.reason) for part in found for s in part.skipped]
    told_apart = _tell_twins_apart([candidates[file] for file in sorted(candidates)])
    return Archive(root, _with_earlier_runs(told_apart), tuple(sorted(skipped)))


def _is_directory_of_export(file: Path) -> bool:
    object_class = media_class(file)
    if object_class not in (None, MEDIA_DIRECTORY):
        raise InputRefused(
            "is one DICOM file", file=file, remedy="give its folder, or analyse this file with 'boreline analyse'"
        )
    return object_class == MEDIA_DIRECTORY


def _with_earlier_runs(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """A run that is stated to show a treated vessel gets the run before treatment of its study and vessel.

    Only where vessel and phase of both are stated, and one run alone qualifies: no header tells vessels apart.
    """
    before: dict[tuple[str, str], list[Candidate]] = defaultdict(list)
    for candidate in candidates:
        if candidate.stated.get("phase") == Phase.BEFORE and candidate.stated.get("vessel") and candidate.study_uid:
            before[candidate.study_uid, candidate.stated["vessel"]].append(candidate)
    out = []
    for candidate in candidates:
        earlier = before[candidate.study_uid, candidate.stated.get("vessel", "")]
        treated = candidate.stated.get("phase") not in (None, "", Phase.BEFORE)
        if treated and len(earlier) == 1 and not candidate.stated.get("before"):
            stated = {**candidate.stated, "before": str(earlier[0].file.resolve())}
            candidate = replace(candidate, stated=stated)
        out.append(candidate)
    return tuple(out)


def _tell_twins_apart(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The first sound file with a SOP Instance UID keeps the name; others get one of their own and say whose twin."""
    first: dict[str, str] = {}
    for candidate in sorted(candidates, key=lambda c: c.defect is not None):
        first.setdefault(candidate.name, candidate.relative)
    return tuple(
        candidate
        if first[candidate.name] == candidate.relative
        else replace(candidate, name=run_name(candidate.relative, candidate.name), twin_of=first[candidate.name])
        for candidate in candidates
    )


def _candidates(
    found: Found, root: Path, rows: Mapping[Path, dict[str, str]], pseudonym_key: str
) -> Sequence[Candidate]:
    pairs = {pair.pullback.path: pair for pair in found.pairs}
    out = []
    for pullback in found.pullbacks:
        stated = rows.get(pullback.path.resolve(), {})
        pair = pairs.get(pullback.path)
        fluoro = (
            Path(stated["fluoro"]) if stated.get("fluoro") else (pair.fluoro.path if pair and pair.fluoro else None)
        )
        cine = Path(stated["cine"]) if stated.get("cine") else (pair.cine.path if pair and pair.cine else None)
        out.append(
            Candidate(
                run_name(pullback.sop_instance_uid or str(_relative(pullback.path, root)), pseudonym_key),
                pullback.path,
                _relative(pullback.path, root),
                pullback.sop_instance_uid,
                pullback.defect,
                pullback.study_uid,
                fluoro,
                cine,
                stated,
            )
        )
    return out


def run_name(sop_instance_uid: str, pseudonym_key: str) -> str:
    """The pseudonymous name of a run: a keyed hash, the same in every batch of a study."""
    digest = hashlib.blake2b(sop_instance_uid.encode(), key=pseudonym_key.encode()[:64], digest_size=16)
    return f"run-{digest.hexdigest()[:NAME_LENGTH]}"


def stated_options(stated: Mapping[str, str]) -> dict[str, JsonValue]:
    """A mapping row's analysis options."""
    options: dict[str, JsonValue] = {}
    if stated.get("vessel"):
        options["vessel"] = stated["vessel"]
    if stated.get("phase"):
        options["phase"] = stated["phase"]
    if stated.get("mm_per_pixel_x"):
        x = float(stated["mm_per_pixel_x"])
        options["mm_per_px"] = [x, float(stated.get("mm_per_pixel_y") or x)]
    if stated.get("pullback_speed_mm_s"):
        options["pullback_speed_mm_s"] = float(stated["pullback_speed_mm_s"])
    return options


def _read_mapping(path: Path) -> dict[Path, dict[str, str]]:
    """Rows by resolved file; paths in them are made absolute."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            columns = reader.fieldnames or []
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as cause:
        raise InputRefused(
            f"cannot be read as CSV: {cause}", file=path, remedy="save it as CSV with commas, in UTF-8"
        ) from None
    unknown = [name for name in columns if name not in MAPPING_COLUMNS]
    if "file" not in columns or unknown:
        problem = f"the column {unknown[0]!r} is unknown" if unknown else "lacks the column 'file'"
        raise InputRefused(problem, file=path, remedy=f"use {', '.join(MAPPING_COLUMNS)}")
    out: dict[Path, dict[str, str]] = {}
    for number, row in enumerate(rows, start=2):
        out |= _checked_row(path, number, {key: (value or "").strip() for key, value in row.items()})
    return out


def _checked_row(path: Path, number: int, row: dict[str, str]) -> dict[Path, dict[str, str]]:
    for name in ("file", "fluoro", "cine", "cine2", "before"):
        if row.get(name):
            row[name] = str((path.parent / row[name]).resolve())
            if not Path(row[name]).exists():
                raise InputRefused(
                    f"row {number}: the {name} {Path(row[name]).name!r} is missing",
                    file=path,
                    remedy=f"give its path as seen from {path.parent}",
                )
    for name in _NUMBERS:
        if row.get(name):
            _positive(row[name], path, f"row {number}, {name}")
    for name, words in (("vessel", Vessel), ("phase", Phase)):
        if row.get(name) and row[name] not in {word.value for word in words}:
            raise InputRefused(
                f"row {number}: {row[name]!r} is no {name}",
                file=path,
                remedy=f"use {', '.join(w.value for w in words)}",
            )
    return {Path(row["file"]): row}


def _positive(text: str, path: Path, where: str) -> None:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value < float("inf"):
        raise InputRefused(
            f"{where}: {text!r} is no positive number", file=path, remedy="correct the cell, or leave it empty"
        )


def _relative(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else path.as_posix()
