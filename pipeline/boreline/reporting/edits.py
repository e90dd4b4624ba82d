"""Who changed what: a summary of the operators' edit logs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from boreline.results import ResultFolder

if TYPE_CHECKING:
    from boreline.correction import Entry


@dataclass(frozen=True, slots=True)
class LoggedEdit:
    """One line of a log for people: frames count from 1."""

    number: int
    at: str
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Reader:
    """One operator's log: how many entries of each kind, in how many frames, and all of them."""

    name: str
    n_frames: int
    kinds: Mapping[str, int]
    last: str
    current: bool
    edits: tuple[LoggedEdit, ...]


def read_readers(folder: ResultFolder) -> tuple[Reader, ...]:
    """The readers of a folder in name order."""
    if not folder.has_edits():
        return ()
    # Only here: what replays edits brings along libraries that a first analysis has no use for.
    from boreline.correction import log_path, read_log, readers

    current = folder.record.get("current_reader")
    return tuple(
        _summary(name, read_log(log_path(folder.path, name)), current=name == current) for name in readers(folder.path)
    )


def _summary(name: str, entries: tuple[Entry, ...], *, current: bool) -> Reader:
    frames = {frame for entry in entries for frame in getattr(entry.edit, "indices", ())}
    edits = tuple(LoggedEdit(e.number, f"{e.at:%Y-%m-%d %H:%M}", _what(e), e.why) for e in entries)
    kinds = Counter(str(entry.edit.kind) for entry in entries)
    return Reader(name, len(frames), dict(kinds), edits[-1].at if edits else "", current, edits)


def _what(entry: Entry) -> str:
    edit = entry.edit
    words = [edit.kind.replace("_", " ")]
    if hasattr(edit, "structure"):
        words.append(edit.structure.value)
    frames = getattr(edit, "indices", None)
    if frames is not None and len(frames):
        words.append(f"frame {frames[0] + 1}" if len(frames) == 1 else f"frames {frames[0] + 1} to {frames[-1] + 1}")
    return ", ".join(words)
