"""The longitudinal cut: one line through every cross-section, side by side.

Made while frames stream past, so that no frame is decoded twice. Only pixels of the cross-section enter, and bright
pixels that never change (burned-in graphics) are taken out before the picture is stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from boreline.geometry import contour_radii_mm
from boreline.model import (
    BoolArray,
    Calibration,
    Contours,
    FloatArray,
    Frame,
    GreyImage,
    IntArray,
    Region,
    Run,
    Structure,
)
from boreline.reporting.masking import BRIGHT, FEWEST_FRAMES, STILL_CLEARANCE_MM

FILE = "longitudinal_cut.png"
MAX_ROWS = 256
_SAMPLED_FRAMES = 300
_STILL_RANGE = 24


@dataclass(frozen=True, slots=True)
class CutView:
    """A cut ready to be drawn: `image` (rows, n_frames), and (structure, row per frame) of each border on it."""

    image: GreyImage
    borders: tuple[tuple[str, FloatArray], ...]


class LongitudinalCut:
    """Collects the vertical line through the catheter's axis from each frame.

    Parameters
    ----------
    run
        The run whose frames will be added, in any order, each any number of times.
    """

    def __init__(self, run: Run) -> None:
        self._region = run.region
        self._column = cut_column_px(run.region, run.centre_px)
        self._mm_per_px_y = run.calibration.mm_per_px_y
        self._lines: GreyImage = np.zeros((run.n_frames, run.region.height_px), dtype=np.uint8)
        self._added: BoolArray = np.zeros(run.n_frames, dtype=np.bool_)

    def add(self, frame: Frame) -> None:
        """Keep the line of one frame; a frame without pixels leaves a gap."""
        if frame.grey is None or frame.number >= len(self._lines):
            return
        self._lines[frame.number] = frame.grey[self._region.y0 : self._region.y1 + 1, self._column]
        self._added[frame.number] = True

    def image(self) -> GreyImage:
        """The cut, shape (rows, n_frames): column k is frame k; frames that were not added repeat their neighbour."""
        n_frames, height = self._lines.shape
        rows = min(height, MAX_ROWS)
        added = np.flatnonzero(self._added)
        if not added.size:
            return np.zeros((rows, n_frames), dtype=np.uint8)
        bounds = (added[1:] + added[:-1] + 1) // 2
        nearest = added[np.searchsorted(bounds, np.arange(len(self._lines)), side="right")]
        image = np.ascontiguousarray(self._lines[nearest].T)
        image[self._still(added)] = 0
        reduced: GreyImage = cv2.resize(image, (n_frames, rows), interpolation=cv2.INTER_AREA)
        return reduced

    def _still(self, added: IntArray) -> BoolArray:
        lines = self._lines[added]
        rows = lines.shape[1]
        if len(added) < FEWEST_FRAMES:  # too few to tell
            return np.zeros(rows, dtype=np.bool_)
        darkest, brightest = lines.min(axis=0), lines.max(axis=0)
        still = (darkest >= BRIGHT) & (brightest - darkest <= _STILL_RANGE)
        mm_per_row = self._mm_per_px_y * self._region.height_px / rows
        near = np.abs(np.arange(rows) - rows / 2) * mm_per_row < STILL_CLEARANCE_MM
        grown: BoolArray = np.convolve(still & ~near, np.ones(5), mode="same") > 0
        return grown

    def save(self, folder: Path) -> None:
        """Write the cut into a folder that is being put together."""
        if not cv2.imwrite(str(folder / FILE), self.image()):
            raise OSError(f"{folder / FILE} cannot be written")


def cut_column_px(region: Region, centre_px: tuple[float, float] | None) -> int:
    """Column of the cut: the catheter's axis as stated, else the middle of the cross-section."""
    middle = (region.x0 + region.x1) // 2
    if centre_px is None:
        return middle
    stated = round(centre_px[0])
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


def border_on_cut_px(
    contours: Contours, region: Region, calibration: Calibration, centre_px: tuple[float, float] | None
) -> FloatArray:
    """Where the line of the cut meets each contour, shape (2, n_frames): its lower and its upper y in pixels, or NaN.

    Parameters
    ----------
    centre_px
        The catheter's axis, as `cut_column_px` takes it.
    """
    middle = np.array([cut_column_px(region, centre_px), (region.y0 + region.y1) / 2])
    radii = contour_radii_mm(contours, calibration, middle, n_rays=4)
    return np.stack([middle[1] + sign * radii[:, ray] / calibration.mm_per_px_y for ray, sign in ((1, 1.0), (3, -1.0))])


def view_cut(image: GreyImage, borders_px: Mapping[Structure, FloatArray], region: Region) -> CutView:
    """The cut narrowed to the vessel, with its borders.

    Parameters
    ----------
    image
        As `load_cut` returns it.
    borders_px
        Per structure, as `border_on_cut_px` returns it.
    """
    rows_per_px = image.shape[0] / region.height_px
    borders = [
        (structure.value, (y_px - region.y0 + 0.5) * rows_per_px - 0.5)
        for structure, both in borders_px.items()
        for y_px in both
    ]
    known = np.concatenate([rows[np.isfinite(rows)] for _, rows in borders])
    first, last = 0, image.shape[0]
    if known.size:
        low, high = np.percentile(known, [1, 99])
        margin = 0.15 * (high - low)
        first, last = max(0, int(low - margin)), min(last, int(high + margin) + 1)
    return CutView(
        np.ascontiguousarray(image[first:last]), tuple((structure, rows - first) for structure, rows in borders)
    )
