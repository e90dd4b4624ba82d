"""All files of one change appear together, or none does.

New files are written into a hidden folder beside the old ones, listed in a journal, and then renamed into place.
A change that was cut off before its journal was complete is discarded; one that was cut off after it is finished
the next time the folder is opened. One writer at a time, held by a lock file.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from boreline.errors import InputRefused

_STAGING = ".pending"
_JOURNAL = "journal.json"
_LOCK = ".lock"


@contextmanager
def change(folder: Path) -> Iterator[Path]:
    """A staging folder whose files replace those of `folder` when the block ends without an error.

    Raises
    ------
    InputRefused
        Another process is writing to `folder`.
    """
    with _locked(folder):
        _settle(folder)
        staging = folder / _STAGING
        staging.mkdir()
        try:
            yield staging
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            raise
        _commit(staging)
        _settle(folder)


def recover(folder: Path) -> None:
    """Finish or discard a change that was cut off; does nothing while another process is writing."""
    if not (folder / _STAGING).exists() or not os.access(folder, os.W_OK):
        return
    try:
        with _locked(folder):
            _settle(folder)
    except InputRefused:
        return


@contextmanager
def new_folder(out: Path, *, replace: bool) -> Iterator[Path]:
    """A temporary folder beside `out` that takes its name when the block ends without an error.

    Parameters
    ----------
    replace
        An existing `out` is moved aside and removed once the new one is in place.
    """
    out = out.absolute()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        temporary = out.parent / f".{out.name}.{os.getpid()}.partial"
        shutil.rmtree(temporary, ignore_errors=True)
        temporary.mkdir()
    except OSError as cause:
        raise InputRefused(f"cannot be written: {cause.strerror}", file=out, remedy="choose another --out") from None
    aside = out.parent / f".{out.name}.{os.getpid()}.old"
    try:
        yield temporary
        if replace and out.exists():
            out.rename(aside)
        temporary.rename(out)
    except BaseException:
        if aside.exists() and not out.exists():
            aside.rename(out)
        shutil.rmtree(temporary, ignore_errors=True)
        raise
    shutil.rmtree(aside, ignore_errors=True)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    try:
        handle = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as cause:
        raise InputRefused(f"cannot be written: {cause.strerror}", file=folder) from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputRefused("another process is changing this folder", file=folder, remedy="wait for it") from None
        yield
    finally:
        os.close(handle)


def _commit(staging: Path) -> None:
    """Make the staged files durable, then the journal that says they are complete."""
    files = sorted(str(path.relative_to(staging)) for path in staging.rglob("*") if path.is_file())
    for name in files:
        _sync(staging / name)
    draft = staging / f"{_JOURNAL}.draft"
    draft.write_text(json.dumps(files), encoding="utf-8")
    _sync(draft)
    draft.rename(staging / _JOURNAL)
    _sync(staging)


def _settle(folder: Path) -> None:
    """Move journalled files into place, or drop what has no journal."""
    staging = folder / _STAGING
    journal = staging / _JOURNAL
    if journal.exists():
        for name in json.loads(journal.read_text(encoding="utf-8")):
            if (staging / name).exists():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (staging / name).replace(folder / name)
        _sync(folder)
    shutil.rmtree(staging, ignore_errors=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
