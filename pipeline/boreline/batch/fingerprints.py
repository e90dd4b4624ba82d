"""Content hashes of the files that a run's result rests on; a file that did not change is not read again."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from boreline.results.source import content_hash

Fingerprint = dict[str, str]
"""`stamp` (place, size and time of change, without naming the place) and `sha256` of the content."""


def fingerprint(path: Path) -> Fingerprint:
    """Of a file, or of a folder's files; reads all of it."""
    return {"stamp": stamp(path), "sha256": content_hash(path)}


def unchanged(path: Path, known: Mapping[str, str] | None) -> bool:
    """True when `known` holds for the file as it lies there now; reads none of it."""
    return known is not None and known.get("stamp") == stamp(path)


def stamp(path: Path) -> str:
    """Changes when the file moves, or changes its size or time."""
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    times = ";".join(f"{s.st_size},{s.st_mtime_ns}" for s in (file.stat() for file in files))
    return f"{hashlib.blake2b(str(path.resolve()).encode(), digest_size=8).hexdigest()};{times}"
