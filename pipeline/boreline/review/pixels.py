"""Frames for the page: the cross-section's rectangle as raw grey bytes, from a cache that is bounded in bytes."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock

import cv2
import numpy as np

from boreline.model import Frame, GreyImage, Region, Run
from boreline.reporting.cut import FILE as CUT_FILE
from boreline.reporting.cut import LongitudinalCut
from boreline.results import ResultFolder

CACHE_BYTES = 32 * 2**20
CUT_FRAMES = 600
"""Frames decoded for a longitudinal cut that the folder does not hold."""


class Pixels:
    """Random access to one run's frames."""

    def __init__(self, run: Run, *, cache_bytes: int = CACHE_BYTES) -> None:
        self._run = run
        self._limit = cache_bytes
        self._kept: OrderedDict[int, bytes] = OrderedDict()
        self._used = 0
        self._lock = Lock()

    @property
    def region(self) -> Region:
        """What is sent of each frame."""
        return self._run.region

    def grey(self, frame: int) -> bytes:
        """One frame (0-based), rows of the region one after the other; black when it cannot be decoded."""
        with self._lock:
            if frame in self._kept:
                self._kept.move_to_end(frame)
                return self._kept[frame]
        data = self._decode(frame)
        with self._lock:
            if frame not in self._kept:
                self._kept[frame] = data
                self._used += len(data)
            while self._used > self._limit:
                _, dropped = self._kept.popitem(last=False)
                self._used -= len(dropped)
        return data

    def _decode(self, frame: int) -> bytes:
        region = self._run.region
        for decoded in self._run.frames(frame, frame + 1):
            if decoded.grey is not None:
                return decoded.grey[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1].tobytes()
        return bytes(region.width_px * region.height_px)


def longitudinal_cut(folder: ResultFolder, run: Run) -> GreyImage:
    """The folder's longitudinal cut, (rows, columns); made from up to `CUT_FRAMES` frames when it holds none."""
    path = folder.path / CUT_FILE
    stored = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.is_file() else None
    if stored is not None and stored.shape[1] == run.n_frames:
        return np.asarray(stored, dtype=np.uint8)
    cut = LongitudinalCut(run)
    for number in np.unique(np.linspace(0, run.n_frames - 1, min(run.n_frames, CUT_FRAMES)).round().astype(int)):
        frame: Frame
        for frame in run.frames(int(number), int(number) + 1):
            cut.add(frame)
    return cut.image()
