"""Content hashes of the archive's files, kept beside the results so that unchanged files are not read again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from boreline.results.source import content_hash

_FILE = "fingerprints.json"


@dataclass(slots=True)
class Fingerprints:
    """Hashes by path; an entry holds as long as size and time of change stay the same."""

    known: dict[str, dict[str, str]]

    @classmethod
    def load(cls, out: Path) -> Fingerprints:
        """Those kept in `out`; none when the file is missing or damaged."""
        try:
            known = json.loads((out / _FILE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            known = {}
        return cls(known if isinstance(known, dict) else {})

    def of(self, path: Path) -> str:
        """SHA-256 of a file, or of a folder's files."""
        stamp = _stamp(path)
        entry = self.known.get(str(path.resolve()))
        if entry is None or entry.get("stamp") != stamp:
            entry = {"stamp": stamp, "sha256": content_hash(path)}
            self.known[str(path.resolve())] = entry
        return entry["sha256"]

    def save(self, out: Path) -> None:
        """Keep them for the next batch."""
        draft = out / f"{_FILE}.draft"
        draft.write_text(json.dumps(self.known), encoding="utf-8")
        draft.chmod(0o600)
        draft.replace(out / _FILE)


def _stamp(path: Path) -> str:
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    return ";".join(f"{s.st_size},{s.st_mtime_ns}" for s in (file.stat() for file in files))
