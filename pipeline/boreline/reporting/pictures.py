"""Cross-sections for the page: which frames, cropped and masked, with their contours as vector lines."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd

from boreline.model import BoolArray, Calibration, Contours, FloatArray, GreyImage, Region, Run, Structure
from boreline.reporting.masking import hidden_pixels

N_PICTURES = 12
_SIDE_PX = 300
_QUALITY = 82
_DOUBTFUL = 4
_MARGIN = 1.35
"""Side of a picture over the largest extent of a vessel in it."""


@dataclass(frozen=True, slots=True)
class Outline:
    """One structure in one picture: SVG path data of its seen and of its bridged stretches."""

    structure: str
    seen: str
    bridged: str


@dataclass(frozen=True, slots=True)
class Picture:
    """One cross-section on the page; `image` is a data URI or empty when the pixels are not at hand."""

    frame: int  # counted from 1
    reasons: tuple[str, ...]
    image: str
    side: int
    px_per_mm: float
    outlines: tuple[Outline, ...]


def choose_frames(frames: pd.DataFrame, marked: Mapping[int, str], n: int = N_PICTURES) -> dict[int, tuple[str, ...]]:
    """0-based frame numbers in order, each with the reasons why it is shown.

    Parameters
    ----------
    marked
        Frames that must be shown (sites), 0-based, with their names; rejected or undecodable ones included.
    """
    chosen: dict[int, list[str]] = {}
    for number, name in marked.items():
        chosen.setdefault(number, []).append(name)
    measured = frames["lumen_area_mm2"].notna().to_numpy()
    _add_largest(chosen, frames, "calcium_arc_deg", "largest calcium arc")
    _add_largest(chosen, frames, "malapposition_mm", "largest malapposition")
    confidence = frames["confidence"].to_numpy(dtype=float).copy()
    confidence[~measured] = np.nan
    apart = max(1, len(frames) // 40)
    taken: list[int] = []
    for number in np.argsort(confidence, kind="stable"):
        if len(taken) == _DOUBTFUL or np.isnan(confidence[number]):
            break
        if all(abs(int(number) - other) >= apart for other in taken):
            taken.append(int(number))
            chosen.setdefault(int(number), []).append("among the least certain")
    rest = np.setdiff1d(np.flatnonzero(measured), list(chosen))
    missing = min(len(rest), max(0, n - len(chosen)))
    for index in np.linspace(0, len(rest) - 1, missing + 2)[1:-1] if missing else ():
        chosen.setdefault(int(rest[round(index)]), ["at a regular interval"])
    return {number: tuple(chosen[number]) for number in sorted(chosen)}


def _add_largest(chosen: dict[int, list[str]], frames: pd.DataFrame, column: str, reason: str) -> None:
    values = frames[column].to_numpy(dtype=float)
    if np.nanmax(values, initial=0.0) > 0:
        chosen.setdefault(int(np.nanargmax(values)), []).append(reason)


def draw_pictures(
    chosen: Mapping[int, tuple[str, ...]],
    run: Run | None,
    contours: Mapping[Structure, Contours],
    region: Region,
    calibration: Calibration,
) -> tuple[tuple[Picture, ...], int]:
    """The chosen frames, and how many pixels inside the field of view were masked as burned-in graphics."""
    crops: dict[int, GreyImage] = {}
    if run is not None:
        for number in chosen:
            for frame in run.frames(number, number + 1):
                if frame.grey is not None:
                    crops[number] = frame.grey[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1]
    field = hidden_pixels((), region, calibration)
    hidden = hidden_pixels(list(crops.values()), region, calibration)
    centres, side_mm = _windows(chosen, contours, region, calibration)
    pictures = tuple(
        _picture(
            number, reasons, crops.get(number), hidden, contours, region, _Window(centres[number], side_mm, calibration)
        )
        for number, reasons in chosen.items()
    )
    return pictures, int((hidden & ~field).sum())


@dataclass(frozen=True, slots=True)
class _Window:
    """What one picture shows: a square of `side_mm` about `centre_px`; all pictures share its size."""

    centre_px: FloatArray
    side_mm: float
    calibration: Calibration

    @property
    def px_per_mm(self) -> float:
        return _SIDE_PX / self.side_mm

    @property
    def scale(self) -> FloatArray:
        """Picture pixels per frame pixel, (x, y)."""
        return self.px_per_mm * self.calibration.mm_per_px

    def to_picture(self, xy_px: FloatArray) -> FloatArray:
        """Frame pixels to the picture's drawing units (a pixel's centre lies half a unit inside it)."""
        inside: FloatArray = (xy_px - self.centre_px) * self.scale + _SIDE_PX / 2
        return inside

    def cut_out(self, shown: GreyImage, region: Region) -> GreyImage:
        """The window's pixels, black outside the region."""
        corner = self.to_picture(np.array([region.x0, region.y0], dtype=np.float64)) - 0.5
        matrix = np.array([[self.scale[0], 0.0, corner[0]], [0.0, self.scale[1], corner[1]]])
        size = (_SIDE_PX, _SIDE_PX)
        return np.asarray(cv2.warpAffine(shown, matrix, size, flags=cv2.INTER_LINEAR), dtype=np.uint8)


def _windows(
    chosen: Iterable[int], contours: Mapping[Structure, Contours], region: Region, calibration: Calibration
) -> tuple[dict[int, FloatArray], float]:
    """Centre of each picture's window, and the side that holds the largest vessel with some margin."""
    middle = np.array([(region.x0 + region.x1) / 2, (region.y0 + region.y1) / 2])
    whole_mm = max(region.width_px * calibration.mm_per_px_x, region.height_px * calibration.mm_per_px_y)
    centres, extents = {}, []
    for number in chosen:
        vertices = np.concatenate([c.polygon(number) for c in contours.values()])
        if not len(vertices):
            centres[number] = middle
            continue
        low, high = vertices.min(axis=0), vertices.max(axis=0)
        centres[number] = (low + high) / 2
        extents.append(float(((high - low) * calibration.mm_per_px).max()))
    return centres, min(whole_mm, _MARGIN * max(extents, default=whole_mm))


def _picture(
    number: int,
    reasons: tuple[str, ...],
    crop: GreyImage | None,
    hidden: BoolArray,
    contours: Mapping[Structure, Contours],
    region: Region,
    window: _Window,
) -> Picture:
    image = ""
    if crop is not None:
        image = jpeg_uri(window.cut_out(np.where(hidden, np.uint8(0), crop), region))
    outlines = []
    for structure, those in contours.items():
        polygon = those.polygon(number)
        if len(polygon) >= 3:
            paths = _paths(window.to_picture(polygon), those.seen_at(number))
            outlines.append(Outline(structure.value, *paths))
    return Picture(number + 1, reasons, image, _SIDE_PX, window.px_per_mm, tuple(outlines))


def _paths(xy: FloatArray, seen: BoolArray) -> tuple[str, str]:
    """SVG path data of the seen and the bridged edges of a closed polygon; an edge is seen when both ends are."""
    edge_seen = seen & np.roll(seen, -1)
    return _path_of_edges(xy, edge_seen), _path_of_edges(xy, ~edge_seen)


def _path_of_edges(xy: FloatArray, wanted: BoolArray) -> str:
    n = len(xy)
    if wanted.all():
        return "M" + "L".join(_point(p) for p in xy) + "Z"
    parts: list[str] = []
    for i in np.flatnonzero(wanted):
        if not wanted[i - 1]:
            parts.append("M" + _point(xy[i]))
        elif i == 0:
            parts.append("M" + _point(xy[0]))
        parts.append("L" + _point(xy[(i + 1) % n]))
    return "".join(parts)


def _point(xy: FloatArray) -> str:
    return f"{xy[0]:.1f} {xy[1]:.1f}"


def jpeg_uri(image: GreyImage, quality: int = _QUALITY) -> str:
    """A grey or BGR picture as a data URI."""
    ok, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise ValueError(f"an image of shape {image.shape} cannot be encoded")
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")
