"""A run's frames for whoever looks at single ones: decoded on demand, kept in a cache that is bounded in bytes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from threading import Lock

from boreline.model import GreyImage, Run

PictureOf = Callable[[int], GreyImage | None]
"""The picture of a frame (0-based), full frame, uint8; None when it cannot be decoded."""
CACHE_BYTES = 32 * 2**20


class FrameCache:
    """Random access to one run's frames; safe to call from several threads."""

    def __init__(self, run: Run, *, cache_bytes: int = CACHE_BYTES) -> None:
        self._run = run
        self._limit = cache_bytes
        self._kept: OrderedDict[int, GreyImage | None] = OrderedDict()
        self._used = 0
        self._lock = Lock()

    def __call__(self, frame: int) -> GreyImage | None:
        """One frame (0-based); None when it cannot be decoded."""
        with self._lock:
            if frame in self._kept:
                self._kept.move_to_end(frame)
                return self._kept[frame]
        grey = next(iter(self._run.frames(frame, frame + 1))).grey
        with self._lock:
            if frame not in self._kept:
                self._kept[frame] = grey
                self._used += _size(grey)
            while self._used > self._limit and len(self._kept) > 1:
                _, dropped = self._kept.popitem(last=False)
                self._used -= _size(dropped)
        return grey


def _size(grey: GreyImage | None) -> int:
    return 0 if grey is None else grey.nbytes
