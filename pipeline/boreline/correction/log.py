"""The file `edits/READER.jsonl`: entries are appended, made durable, and never rewritten.

A line that a crash cut off was never acknowledged: it is ignored when reading (unless only its end of line is missing),
and the next entry begins on a line of its own. One writer at a time holds a lock on the file; readers need none.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from boreline.correction.edits import SCHEMA, AnyEdit, Entry
from boreline.errors import InputRefused

FOLDER = "edits"
_GOOD_LOG = "name the log that a review wrote, or put back its last good copy"
_READER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


def log_path(folder: Path, reader: str) -> Path:
    """Where a reader's edits are kept in a result folder.

    Raises
    ------
    InputRefused
        The name could not be a file name.
    """
    if not _READER.fullmatch(reader):
        raise InputRefused(
            f"{reader!r} is no reader's name", tag="--reader", remedy="use letters, digits, - and _ (64 at most)"
        )
    return folder / FOLDER / f"{reader}.jsonl"


def readers(folder: Path) -> tuple[str, ...]:
    """Readers with at least one edit, by name."""
    return tuple(sorted(path.stem for path in (folder / FOLDER).glob("*.jsonl") if path.stat().st_size > 0))


def read_log(path: Path) -> tuple[Entry, ...]:
    """All entries of a log, oldest first; none when the file is absent. A torn line is left out.

    Raises
    ------
    InputRefused
        A whole line is no entry, or the numbers are not 1, 2, 3 ...
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as cause:
        raise InputRefused(
            f"cannot be read: {cause.strerror}", file=path, remedy="make it readable for this user"
        ) from None
    return _parse(data, path)


def log_hash(path: Path) -> str | None:
    """`hash_of` the entries of a log: what tables made from it carry."""
    return hash_of(read_log(path))


def hash_of(entries: Iterable[Entry]) -> str | None:
    """SHA-256 over whole entries, None without any."""
    lines = [entry.line() for entry in entries]
    return hashlib.sha256("".join(lines).encode()).hexdigest() if lines else None


def _parse(data: bytes, path: Path) -> tuple[Entry, ...]:
    entries: list[Entry] = []
    for number, line in enumerate(data.split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            entry = Entry.model_validate_json(line)
        except ValidationError as cause:
            if _is_torn(line):
                continue
            raise InputRefused(_complaint(line, cause), file=path, tag=f"line {number}", remedy=_GOOD_LOG) from None
        if entry.number != len(entries) + 1:
            raise InputRefused(
                f"entry {entry.number} stands where {len(entries) + 1} belongs",
                file=path,
                tag=f"line {number}",
                remedy=_GOOD_LOG,
            )
        entries.append(entry)
    return tuple(entries)


def _is_torn(line: bytes) -> bool:
    """True for a line that is no JSON at all: a crash cut it off."""
    try:
        json.loads(line)
    except ValueError:
        return True
    return False


def _complaint(line: bytes, cause: ValidationError) -> str:
    record = json.loads(line)
    version = record.get("schema") if isinstance(record, dict) else None
    if version != SCHEMA:
        return f"was written with schema {version!r}, this version reads {SCHEMA}"
    first = cause.errors()[0]
    return f"is no edit ({'.'.join(str(part) for part in first['loc'])}: {first['msg']})"


@dataclass(slots=True)
class LogWriter:
    """Appends to one log; `append` returns once the entry is on the disk.

    Raises
    ------
    InputRefused
        On opening: another process has the log open for writing, or it is damaged.
    """

    path: Path
    reader: str
    sop_uid: str
    entries: list[Entry] = field(init=False)
    _handle: int = field(init=False)

    def __post_init__(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        except OSError as cause:
            raise InputRefused(
                f"cannot be written: {cause.strerror}", file=self.path, remedy="make the folder writable for this user"
            ) from None
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self.entries = list(read_log(self.path))
            self._end_torn_line()
            _sync_folder(self.path.parent)
        except OSError:
            os.close(self._handle)
            raise InputRefused(
                "another review of this reader is open", file=self.path, remedy="close it or give another --reader"
            ) from None
        except InputRefused:
            os.close(self._handle)
            raise

    def append(self, edit: AnyEdit, *, why: str = "") -> Entry:
        """Write one entry and make it durable."""
        entry = Entry(
            number=len(self.entries) + 1,
            at=datetime.now(UTC),
            reader=self.reader,
            why=why,
            sop_uid=self.sop_uid,
            edit=edit,
        )
        data = entry.line().encode()
        end = os.fstat(self._handle).st_size
        try:
            if os.write(self._handle, data) != len(data):
                raise OSError("the disk is full")  # noqa: TRY301 - a short write is handled like a failed one
            os.fsync(self._handle)
        except OSError as cause:
            os.ftruncate(self._handle, end)
            raise InputRefused(
                f"cannot be written: {cause}",
                file=self.path,
                remedy="make room or mend the folder, then repeat this edit",
            ) from None
        self.entries.append(entry)
        return entry

    def close(self) -> None:
        """Release the log; an empty file is removed."""
        if os.fstat(self._handle).st_size == 0:
            self.path.unlink(missing_ok=True)
        os.close(self._handle)

    def _end_torn_line(self) -> None:
        size = os.fstat(self._handle).st_size
        if size and os.pread(self._handle, 1, size - 1) != b"\n":
            os.write(self._handle, b"\n")


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
