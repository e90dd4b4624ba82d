"""The longitudinal cut: one line through every cross-section, side by side.

Made while frames stream past, so that no frame is decoded twice. Only pixels of the cross-section enter, and bright
pixels that never change (burned-in graphics) are taken out before the picture is stored.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from boreline.model import BoolArray, Frame, GreyImage, Run
from boreline.reporting.masking import STILL_CLEARANCE_MM, still_graphics

FILE = "longitudinal_cut.png"
MAX_ROWS = 256
_SAMPLED_FRAMES = 300


class LongitudinalCut:
    """Collects the vertical line through the catheter's axis from each frame.

    Parameters
    ----------
    run
        The run whose frames will be added, in any order, each any number of times.
    """

    def __init__(self, run: Run) -> None:
        self._region = run.region
        self._column = cut_column_px(run)
        self._mm_per_px_y = run.calibration.mm_per_px_y
        rows = min(run.region.height_px, MAX_ROWS)
        self._lines: GreyImage = np.zeros((run.n_frames, rows), dtype=np.uint8)
        self._added: BoolArray = np.zeros(run.n_frames, dtype=np.bool_)

    def add(self, frame: Frame) -> None:
        """Keep the line of one frame; a frame without pixels leaves a gap."""
        if frame.grey is None or frame.number >= len(self._lines):
            return
        region = self._region
        line = np.ascontiguousarray(frame.grey[region.y0 : region.y1 + 1, self._column])
        if len(line) != self._lines.shape[1]:
            line = cv2.resize(line[:, None], (1, self._lines.shape[1]), interpolation=cv2.INTER_AREA)[:, 0]
        self._lines[frame.number] = line
        self._added[frame.number] = True

    def image(self) -> GreyImage:
        """The cut, shape (rows, n_frames): column k is frame k; frames that were not added repeat their neighbour."""
        added = np.flatnonzero(self._added)
        if not added.size:
            return np.zeros_like(self._lines.T)
        bounds = (added[1:] + added[:-1] + 1) // 2
        nearest = added[np.searchsorted(bounds, np.arange(len(self._lines)), side="right")]
        image = np.ascontiguousarray(self._lines[nearest].T)
        image[self._still(added)] = 0
        return image

    def _still(self, added: np.ndarray[tuple[int], np.dtype[np.int64]]) -> BoolArray:
        lines = self._lines[added]
        still = still_graphics(lines.min(axis=0), lines.max(axis=0), len(added))
        rows = len(still)
        mm_per_row = self._mm_per_px_y * self._region.height_px / rows
        near = np.abs(np.arange(rows) - rows / 2) * mm_per_row < STILL_CLEARANCE_MM
        grown: BoolArray = np.convolve(still & ~near, np.ones(5), mode="same") > 0
        return grown

    def save(self, folder: Path) -> None:
        """Write the cut into a folder that is being put together."""
        if not cv2.imwrite(str(folder / FILE), self.image()):
            raise OSError(f"{folder / FILE} cannot be written")


def cut_column_px(run: Run) -> int:
    """Column of the cut: the catheter's axis as stated, else the middle of the cross-section."""
    region = run.region
    middle = (region.x0 + region.x1) // 2
    if run.centre_px is None:
        return middle
    stated = round(run.centre_px[0])
    return stated if abs(stated - middle) < region.width_px / 4 else middle


def load_cut(folder: Path, run: Run | None) -> GreyImage | None:
    """The stored cut; else one from frames at regular intervals of `run`; None when there are no pixels either."""
    path = folder / FILE
    stored = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.exists() else None
    if stored is not None:
        return np.asarray(stored, dtype=np.uint8)
    if run is None:
        return None
    cut = LongitudinalCut(run)
    step = max(1, run.n_frames // _SAMPLED_FRAMES)
    for number in range(0, run.n_frames, step):
        for frame in run.frames(number, number + 1):
            cut.add(frame)
    return cut.image()
