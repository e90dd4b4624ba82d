"""The vessel on the page: the cine frame that a run was co-registered with, cropped, with the pullback's path on it.

What an X-ray machine writes into its pictures names people, so the stored picture holds the surroundings of the path
only, and strokes that stand still over the whole cine are blackened before anything is stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd

from boreline.columns import PATH
from boreline.model import BoolArray, FloatArray, GreyImage
from boreline.reading import XrayRun
from boreline.reporting.answers import NamedSite
from boreline.reporting.masking import xray_graphics
from boreline.reporting.pictures import jpeg_uri
from boreline.results import ResultFolder

FILE = "vessel_picture.png"
TICK_MM = 5.0
MARGIN_MM = 20.0
"""What is farther from the path is not shown."""
_SAMPLED_FRAMES = 24
_SIDE = 340.0
_TICK = 5.0
_MOST_POINTS = 300


@dataclass(frozen=True, slots=True)
class VesselTick:
    """A tick across the path: its ends, and its millimetres beside it."""

    x1: float
    y1: float
    x2: float
    y2: float
    label: str


@dataclass(frozen=True, slots=True)
class VesselMark:
    """A named place on the path; the label stands at (label_x, label_y)."""

    name: str
    x: float
    y: float
    label_x: float
    label_y: float
    anchor: str


@dataclass(frozen=True, slots=True)
class VesselView:
    """The drawing: `places` maps a frame counted from 1 to its point on the path.

    `image` is a data URI; empty when no picture is stored, and when all of it is hidden (then `hidden_px` tells).
    """

    image: str
    width: int
    height: int
    path: str
    ticks: tuple[VesselTick, ...]
    marks: tuple[VesselMark, ...]
    places: dict[int, tuple[float, float]]
    hidden_px: int


def masked_frame(cine: XrayRun, number: int) -> tuple[npt.NDArray[np.float32], BoolArray]:
    """One frame (0-based) of a cine with what may not be shown set to 0, and where that is; shape (rows, columns).

    Unmoving strokes are hidden. All is, where text cannot be told from anatomy: after lossy compression, which leaves
    of a thin letter what it leaves of a vessel, and with too few frames to see what moves.
    """
    shape = (cine.rows, cine.columns)
    if cine.lossy:
        return np.zeros(shape, dtype=np.float32), np.ones(shape, dtype=np.bool_)
    darkest = np.full(shape, np.inf, dtype=np.float32)
    brightest = np.full(shape, -np.inf, dtype=np.float32)
    picture = np.zeros(shape, dtype=np.float32)
    n = 0
    for k in sorted({number, *range(0, cine.n_frames, max(1, cine.n_frames // _SAMPLED_FRAMES))}):
        for frame in cine.frames(k, k + 1):
            if frame.intensity is None:
                continue
            values = frame.intensity.astype(np.float32)
            np.minimum(darkest, values, out=darkest)
            np.maximum(brightest, values, out=brightest)
            n += 1
            if k == number:
                picture = values
    hidden = xray_graphics(darkest, brightest, float(2**cine.bits_stored - 1), n)
    picture[hidden] = 0
    return picture, hidden


def save_vessel_picture(
    folder: Path, picture: npt.NDArray[np.float32], hidden: BoolArray, path_px: FloatArray, mm_per_px: float
) -> None:
    """Write the surroundings of a path into a folder that is being put together; everything beyond them is black.

    Parameters
    ----------
    picture, hidden
        As `masked_frame` returns them.
    path_px
        Shape (n, 2): points of the path on the frame; NaN where not known.
    """
    left, top, right, bottom = _surroundings(path_px, picture.shape, MARGIN_MM / mm_per_px)
    shown = np.zeros(picture.shape, dtype=np.uint8)
    near = _near(path_px, picture.shape, MARGIN_MM / mm_per_px)
    crop, seen = picture[top:bottom, left:right], (near & ~hidden)[top:bottom, left:right]
    if seen.any():
        low, high = np.percentile(crop[seen], [0.5, 99.8])
        # 0 stays for what is hidden, so that a reader of the picture can tell it from dark anatomy
        shown[top:bottom, left:right] = np.where(seen, np.clip((crop - low) * 234 / max(high - low, 1) + 1, 1, 235), 0)
    if not cv2.imwrite(str(folder / FILE), shown):
        raise OSError(f"{folder / FILE} cannot be written")


def view_vessel(folder: ResultFolder, sites: Sequence[NamedSite]) -> VesselView | None:
    """The drawing for a folder that was co-registered; None for any other."""
    if not (folder.path / PATH.file).is_file():
        return None
    table = pd.read_parquet(folder.path / PATH.file)
    if len(table) < 2:
        return None
    xy = table[["x_px", "y_px"]].to_numpy(dtype=float)
    stored = folder.path / FILE
    picture = cv2.imread(str(stored), cv2.IMREAD_GRAYSCALE) if stored.is_file() else None
    scale_mm = float(folder.record["coregistration"]["xray_mm_per_px"])
    shape = (int(xy[:, 1].max()) + 1, int(xy[:, 0].max()) + 1) if picture is None else picture.shape
    left, top, right, bottom = _surroundings(xy, shape, MARGIN_MM / scale_mm)
    zoom = _SIDE / (right - left)
    points = (xy + 0.5 - [left, top]) * zoom
    positions = folder.frames()["position_mm"].to_numpy(dtype=float)[table["frame"].to_numpy() - 1]
    places = {
        int(f): (round(float(x), 1), round(float(y), 1)) for f, (x, y) in zip(table["frame"], points, strict=True)
    }
    height = round((bottom - top) * zoom)
    path, ticks = _path(points, table["arc_mm"].to_numpy(dtype=float), positions)
    return VesselView(
        _image(picture[top:bottom, left:right], zoom) if picture is not None and picture.any() else "",
        round(_SIDE),
        height,
        path,
        ticks,
        _marks(sites, places, height),
        places,
        0 if picture is None else int(((picture == 0) & _near(xy, shape, MARGIN_MM / scale_mm)).sum()),
    )


def _surroundings(path_px: FloatArray, shape: tuple[int, ...], margin_px: float) -> tuple[int, int, int, int]:
    """(left, top, right, bottom) of the rectangle about a path, right and bottom exclusive, within the frame."""
    low, high = np.nanmin(path_px, axis=0) - margin_px, np.nanmax(path_px, axis=0) + margin_px + 1
    left, top = np.maximum(np.floor(low), 0).astype(int)
    right, bottom = np.minimum(np.ceil(high), [shape[1], shape[0]]).astype(int)
    return int(left), int(top), int(max(right, left + 2)), int(max(bottom, top + 2))


def _near(path_px: FloatArray, shape: tuple[int, ...], radius_px: float) -> BoolArray:
    """Pixels within a radius of the path's points."""
    away = np.ones(shape, dtype=np.uint8)
    x, y = np.rint(path_px[np.isfinite(path_px).all(axis=1)]).astype(int).T
    away[np.clip(y, 0, shape[0] - 1), np.clip(x, 0, shape[1] - 1)] = 0
    near: BoolArray = cv2.distanceTransform(away, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) <= radius_px
    return near


def _image(crop: GreyImage, zoom: float) -> str:
    finer = min(1.0, 2 * zoom)  # two picture pixels to a drawing unit are enough for any screen
    return jpeg_uri(np.asarray(cv2.resize(crop, None, fx=finer, fy=finer, interpolation=cv2.INTER_AREA), np.uint8), 84)


def _path(points: FloatArray, arc_mm: FloatArray, position_mm: FloatArray) -> tuple[str, tuple[VesselTick, ...]]:
    order = np.argsort(arc_mm, kind="stable")
    order = order[np.concatenate([[True], np.diff(arc_mm[order]) > 1e-6])]
    arc, line = arc_mm[order], points[order]
    grid = np.linspace(arc[0], arc[-1], min(_MOST_POINTS, max(2, len(arc))))
    smooth = np.column_stack([np.interp(grid, arc, line[:, axis]) for axis in (0, 1)])
    known = np.isfinite(position_mm)
    if not known.any():
        return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in smooth), ()
    zero_mm = float(np.median(arc_mm[known] - position_mm[known]))
    ticks = []
    for mm in np.arange(0.0, arc[-1] - zero_mm + 1e-9, TICK_MM):
        if zero_mm + mm < arc[0]:
            continue
        here, ahead = (
            np.array([np.interp(zero_mm + mm + step, arc, line[:, axis]) for axis in (0, 1)]) for step in (-0.5, 0.5)
        )
        middle, along = (here + ahead) / 2, ahead - here
        across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9) * _TICK
        (x1, y1), (x2, y2) = middle - across, middle + across
        ticks.append(VesselTick(float(x1), float(y1), float(x2), float(y2), f"{mm:g}"))
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in smooth), tuple(ticks)


def _marks(sites: Sequence[NamedSite], places: dict[int, tuple[float, float]], height: int) -> tuple[VesselMark, ...]:
    """Marks from top to bottom; labels of neighbours stand one below the other, on the roomier side of the path."""
    known = sorted(
        ((site.name, *places[site.frame + 1]) for site in sites if site.frame + 1 in places), key=lambda m: m[2]
    )
    marks = []
    last = {"start": -np.inf, "end": -np.inf}
    for name, x, y in sorted(known, key=lambda mark: mark[2]):
        side = "end" if x > _SIDE / 2 else "start"
        label_y = min(max(y + 4, last[side] + 12, 11.0), height - 4.0)
        last[side] = label_y
        marks.append(VesselMark(name, x, y, x + (14 if side == "start" else -14), label_y, side))
    return tuple(marks)
