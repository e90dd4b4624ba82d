"""All files of one change appear together, or none does.

New files are written into a hidden folder beside the old ones, listed in a journal, and then renamed into place.
A file that the change takes away is listed in the same journal. A change that was cut off before its journal was
complete is discarded; one that was cut off after it is finished the next time the folder is opened. One writer at a
time, held by a lock file.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from boreline.errors import InputRefused

_STAGING = ".pending"
_JOURNAL = "journal.json"
_LOCK = ".lock"
_REMOVED = ".removed"
_AFTERWARDS = ".afterwards"


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
            _commit(staging)
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            raise
        try:
            _settle(folder)
        except BaseException:  # a signal between two renames: the decision has been made, so finish
            _settle(folder)
            raise


def remove(staging: Path, name: str) -> None:
    """Let a change take the file `name` away from its folder, if it is there."""
    mark = staging / _REMOVED / name
    mark.parent.mkdir(parents=True, exist_ok=True)
    mark.touch()


@contextmanager
def afterwards(staging: Path) -> Iterator[Path]:
    """A folder that reads as the change would leave its folder if it ended now; gone when the block ends."""
    view = staging / _AFTERWARDS
    view.mkdir()
    try:
        present = dict(_shown(staging.parent)) | dict(_shown(staging))
        for name, path in present.items():
            if not (staging / _REMOVED / name).exists():
                (view / name).parent.mkdir(parents=True, exist_ok=True)
                (view / name).symlink_to(path.absolute())
        yield view
    finally:
        shutil.rmtree(view)


def _shown(folder: Path) -> Iterator[tuple[Path, Path]]:
    """The files of a folder by their names in it, but for hidden ones."""
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        if path.is_file() and not any(part.startswith(".") for part in name.parts):
            yield name, path


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

    Raises
    ------
    InputRefused
        `out` cannot be written, or another process is writing it.
    """
    out = out.absolute()
    with claimed(out):
        temporary = out.parent / f".{out.name}.{os.getpid()}.partial"
        aside = out.parent / f".{out.name}.{os.getpid()}.old"
        try:
            temporary.mkdir()
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
def claimed(out: Path) -> Iterator[None]:
    """Be the only process that makes or replaces the folder `out`; what killed ones left beside it goes first.

    Raises
    ------
    InputRefused
        The place cannot be written, or another process is at work there.
    """
    out = out.absolute()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as cause:
        raise InputRefused(f"cannot be written: {cause.strerror}", file=out, remedy="choose another folder") from None
    lock = out.parent / f".{out.name}{_LOCK}"
    with _holding(lock, out):
        try:
            _sweep(out)
            yield
        finally:
            lock.unlink(missing_ok=True)


def tidy(out: Path) -> None:
    """Remove what a killed process left beside a result folder; one that it had moved aside is put back.

    Raises
    ------
    InputRefused
        The place cannot be written, or another process is at work there.
    """
    with claimed(out):
        pass


def put_back(out: Path) -> None:
    """Give a folder its name again that a killed process had moved aside; does nothing where that cannot be done."""
    out = out.absolute()
    if out.parent.is_dir() and any(kind == "old" for _, kind in _leftovers(out)):
        with suppress(InputRefused):
            tidy(out)


def _sweep(out: Path) -> None:
    for path, kind in _leftovers(out):
        if kind == "old" and not out.exists():
            path.rename(out)
        elif path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _leftovers(out: Path) -> list[tuple[Path, str]]:
    """Hidden files and folders that belong to `out`, with their kind; never those of `out.2` or the like."""
    name = re.escape(out.name)
    own = re.compile(rf"\.{name}\.\d+\.(partial|old|reanalysed)|\.\.{name}\.\d+\.reanalysed\.(\d+\.partial|lock)")
    return [(path, path.suffix[1:]) for path in sorted(out.parent.iterdir()) if own.fullmatch(path.name)]


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    with _holding(folder / _LOCK, folder):
        yield


@contextmanager
def _holding(lock: Path, folder: Path) -> Iterator[None]:
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as cause:
        raise InputRefused(
            f"cannot be written: {cause.strerror}", file=folder, remedy="choose another folder"
        ) from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputRefused("another process is changing this folder", file=folder, remedy="wait for it") from None
        if not lock.exists() or not os.path.samestat(os.fstat(handle), lock.stat()):  # its last holder removed it
            raise InputRefused("another process has just changed this folder", file=folder, remedy="try again")
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
    """Move journalled files into place and take those away that go, or drop what has no journal."""
    staging = folder / _STAGING
    journal = staging / _JOURNAL
    if journal.exists():
        for name in json.loads(journal.read_text(encoding="utf-8")):
            if name.startswith(f"{_REMOVED}/"):
                (folder / name.removeprefix(f"{_REMOVED}/")).unlink(missing_ok=True)
            elif (staging / name).exists():
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
