"""`source.json`: where a run's pixels are. Private to this machine (mode 0600), never exported."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

from boreline.errors import InputRefused

FILE = "source.json"
_REMEDY = "name the run with --source RUN.dcm"
_REMEDY = "name the run with --source RUN.dcm"


def write_source(target: Path, source: Path) -> None:
    """Record the path, size, time and content hash of a DICOM file, or of a folder of them."""
    record = {"path": str(source.resolve()), **_stat(source), "sha256": content_hash(source)}
    handle = os.open(target / FILE, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(record, file, indent=2)


def find_source(folder: Path, moved_to: Path | None = None) -> Path:
    """The run's DICOM file or folder, verified to be the one that was analysed.

    Raises
    ------
    InputRefused
        It is gone, or its content changed.
    """
    try:
        record = json.loads((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        record = None
    if record is None and moved_to is None:
        raise InputRefused("is missing or damaged", file=folder / FILE, remedy=_REMEDY)
    path = Path(record["path"]) if moved_to is None else moved_to
    if not path.exists():
        raise InputRefused("the run's pixels are not there any more", file=path, remedy=_REMEDY)
    unchanged = record is None or _stat(path) == {key: record[key] for key in ("size", "modified_ns")}
    if not unchanged and content_hash(path) != record["sha256"]:
        raise InputRefused("is not the file that was analysed", file=path, remedy=_REMEDY)
    return path


def content_hash(source: Path) -> str:
    """SHA-256 of a file, or of all files of a folder in name order."""
    digest = hashlib.sha256()
    for file in _files(source):
        with file.open("rb") as handle:
            digest.update(hashlib.file_digest(handle, "sha256").digest())
    return digest.hexdigest()


def _stat(source: Path) -> dict[str, int]:
    stats = [file.stat() for file in _files(source)]
    return {"size": sum(s.st_size for s in stats), "modified_ns": max((s.st_mtime_ns for s in stats), default=0)}


def _files(source: Path) -> list[Path]:
    return sorted(path for path in source.rglob("*") if path.is_file()) if source.is_dir() else [source]
