"""Frames for the page: the cross-section's rectangle as raw grey bytes."""

from __future__ import annotations

import cv2
import numpy as np

from boreline.correction import FrameCache
from boreline.model import Frame, GreyImage, Region, Run
from boreline.reporting.cut import FILE as CUT_FILE
from boreline.reporting.cut import LongitudinalCut
from boreline.results import ResultFolder

CUT_FRAMES = 600
"""Frames decoded for a longitudinal cut that the folder does not hold."""


class Pixels:
    """Random access to one run's frames, for the page and for the corrector from one cache."""

    def __init__(self, run: Run) -> None:
        self.picture_of = FrameCache(run)
        self.region: Region = run.region
        """What is sent of each frame."""

    def grey(self, frame: int) -> bytes:
        """One frame (0-based), rows of the region one after the other; black when it cannot be decoded."""
        region, grey = self.region, self.picture_of(frame)
        if grey is None:
            return bytes(region.width_px * region.height_px)
        return grey[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1].tobytes()


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
