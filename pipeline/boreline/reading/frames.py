"""Lazy frames: located, read at their position, decoded ahead of the consumer in background threads.

Only a few frames are in memory, whatever the length of the run, and each call of the reader opens the
file anew, so any number of readers may work side by side.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from boreline.errors import StageFailed
from boreline.reading.fragments import Span

AHEAD = 8
"""Frames decoded ahead of the consumer, fewer where they are large."""

WORKERS = 2

_BYTES_AHEAD = 64 << 20

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class FileState:
    """What tells that a file is still the one whose frames were located."""

    size: int
    modified_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> FileState:
        """The state of an open file."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


@dataclass(frozen=True, slots=True)
class FrameBytes:
    """Reads the bytes of located frames from one file."""

    path: Path
    state: FileState
    frames: tuple[tuple[Span, ...], ...]
    keep: object = None  # the inflated copy of a deflated file

    def open(self) -> int:
        """A file descriptor of its own.

        Raises
        ------
        StageFailed
            The file is gone or has changed since its frames were located.
        """
        try:
            fd = os.open(self.path, os.O_RDONLY)
        except OSError as fault:
            raise StageFailed(f"{self.path}: cannot be read any more ({fault.strerror})") from None
        if FileState.of(os.fstat(fd)) != self.state:
            os.close(fd)
            raise StageFailed(f"{self.path}: has changed while it was being read; run the command again")
        return fd

    def read(self, fd: int, number: int) -> bytes:
        """The bytes of one frame."""
        spans = self.frames[number]
        if len(spans) == 1:
            return os.pread(fd, spans[0][1], spans[0][0])
        return b"".join(os.pread(fd, length, offset) for offset, length in spans)


def read_ahead(decode: Callable[[int], T], start: int, stop: int, *, frame_bytes: int) -> Iterator[T]:
    """Yield ``decode(i)`` for i in [start, stop), in order, computed ahead in background threads.

    Parameters
    ----------
    frame_bytes
        Size of a decoded frame, which limits how many are held.
    """
    if stop - start == 1:
        yield decode(start)
        return
    ahead = max(1, min(AHEAD, _BYTES_AHEAD // frame_bytes))
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="boreline-decode") as pool:
        pending: deque[Future[T]] = deque()
        try:
            for number in range(start, stop):
                pending.append(pool.submit(decode, number))
                if len(pending) > ahead:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
