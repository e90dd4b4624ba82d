"""Cross-sections for the page: which frames, cropped and masked, with their contours as vector lines."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd

from boreline.flags import Flag
from boreline.model import BoolArray, Calibration, Contours, FloatArray, GreyImage, Region, Run, Structure
from boreline.reporting.masking import hidden_pixels

N_PICTURES = 12
_SIDE_PX = 300
_QUALITY = 82
_DOUBTFUL = 4


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
    width: int
    height: int
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
    candidates = np.flatnonzero(measured)
    missing = max(0, n - len(chosen))
    if candidates.size and missing:
        for index in np.linspace(0, len(candidates) - 1, missing + 2)[1:-1]:
            chosen.setdefault(int(candidates[round(index)]), ["at a regular interval"])
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
    scale = _scale(region, calibration)
    pictures = tuple(
        _picture(number, reasons, crops.get(number), hidden, contours, region, scale)
        for number, reasons in chosen.items()
    )
    return pictures, int((hidden & ~field).sum())


@dataclass(frozen=True, slots=True)
class _Scale:
    px_per_mm: float
    x: float
    y: float


def _scale(region: Region, calibration: Calibration) -> _Scale:
    width_mm = region.width_px * calibration.mm_per_px_x
    height_mm = region.height_px * calibration.mm_per_px_y
    px_per_mm = _SIDE_PX / max(width_mm, height_mm)
    return _Scale(px_per_mm, px_per_mm * calibration.mm_per_px_x, px_per_mm * calibration.mm_per_px_y)


def _picture(
    number: int,
    reasons: tuple[str, ...],
    crop: GreyImage | None,
    hidden: BoolArray,
    contours: Mapping[Structure, Contours],
    region: Region,
    scale: _Scale,
) -> Picture:
    width, height = round(region.width_px * scale.x), round(region.height_px * scale.y)
    image = ""
    if crop is not None:
        shown = np.where(hidden, np.uint8(0), crop)
        image = jpeg_uri(cv2.resize(shown, (width, height), interpolation=cv2.INTER_AREA))
    outlines = []
    for structure, those in contours.items():
        polygon = those.polygon(number)
        if len(polygon) < 3:
            continue
        xy = (polygon - [region.x0 - 0.5, region.y0 - 0.5]) * [scale.x, scale.y]
        outlines.append(Outline(structure.value, *_paths(xy, those.seen_at(number))))
    return Picture(number + 1, reasons, image, width, height, scale.px_per_mm, tuple(outlines))


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


def flags_in_words(cell: str) -> Iterable[str]:
    """The words of one `flags` cell as a reader would say them."""
    return (Flag(word).value.replace("_", " ") for word in cell.split(";") if word)
