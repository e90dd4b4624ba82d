"""Who changed what: a summary of the operators' edit logs."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from boreline.results import EDITS, ResultFolder


@dataclass(frozen=True, slots=True)
class Reader:
    """One operator's log: how many edits of each kind, in how many frames, first and last time."""

    name: str
    n_edits: int
    n_frames: int
    kinds: Mapping[str, int]
    first: str
    last: str
    current: bool


def read_readers(folder: ResultFolder) -> tuple[Reader, ...]:
    """The readers of a folder in name order; lines that are no JSON object are not counted."""
    current = folder.record.get("current_reader")
    return tuple(
        _summary(path.stem, [e for line in _lines(path) if (e := _parsed(line)) is not None], path.stem == current)
        for path in sorted((folder.path / EDITS).glob("*.jsonl"))
    )


def _lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()


def _parsed(line: str) -> dict[str, Any] | None:
    try:
        value = json.loads(line)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def _summary(name: str, edits: list[dict[str, Any]], current: bool) -> Reader:
    times = sorted(str(e[key]) for e in edits for key in ("at", "when", "time") if key in e)
    kinds = Counter(str(e.get("kind") or e.get("action") or e.get("what") or "edit") for e in edits)
    frames = {e["frame"] for e in edits if isinstance(e.get("frame"), int)}
    return Reader(
        name, len(edits), len(frames), dict(kinds), times[0] if times else "", times[-1] if times else "", current
    )
