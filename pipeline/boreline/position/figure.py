"""The cine frame with the path on it: a tick every 5 mm, and the places that matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from boreline.model import FloatArray
from boreline.position.centreline import Centreline
from boreline.position.centreline import Image as Picture

TICK_MM = 5.0
_ENLARGED = 2
_TICK_PX, _TEXT_PX, _LINE_PX = 11, 17, 22
_PATH = (255, 200, 80)
_INK = (255, 255, 255)


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place on the cine frame."""

    xy_px: tuple[float, float]
    label: str


def draw_path(
    frame: Picture, line: Centreline, arc_mm: FloatArray, zero_mm: float, marks: Sequence[Mark] = ()
) -> bytes:
    """A PNG of the frame with the path.

    Parameters
    ----------
    arc_mm
        Shape (n,), length at each point of the line.
    zero_mm
        Length at which `position_mm` is 0; ticks count from there.
    """
    values = frame.astype(np.float64)
    top = max(float(np.percentile(values, 99.8)), 1.0)
    grey = np.clip(values * (235.0 / top), 0, 255).astype(np.uint8)
    large = cv2.resize(grey, None, fx=_ENLARGED, fy=_ENLARGED, interpolation=cv2.INTER_CUBIC)
    picture = Image.fromarray(large).convert("RGB")
    pen = ImageDraw.Draw(picture)
    at = (line.xy_px + 0.5) * _ENLARGED
    pen.line([(float(x), float(y)) for x, y in at], fill=_PATH, width=2)
    tangent = np.gradient(line.xy_px, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    for tick in np.arange(0.0, arc_mm[-1] - zero_mm + 1e-9, TICK_MM):
        k = int(np.argmin(np.abs(arc_mm - zero_mm - tick)))
        a, b = (at[k] + side * _TICK_PX * normal[k] for side in (-1, 1))
        pen.line([*a, *b], fill=_PATH, width=2)
        _write(pen, (b[0] + 6, b[1] - 8), f"{tick:g}")
    lowest = -np.inf
    for mark in sorted(marks, key=lambda mark: mark.xy_px[1]):
        x, y = (np.array(mark.xy_px) + 0.5) * _ENLARGED
        pen.ellipse([x - 9, y - 9, x + 9, y + 9], outline=_INK, width=2)
        lowest = max(float(y) - 9, lowest + _LINE_PX)
        pen.line([x - 9, y, x - 40, lowest + 9], fill=_INK, width=1)
        _write(pen, (x - 44, lowest), mark.label, anchor="ra")
    _write(pen, (12, picture.height - 28), "numbers along the path: mm from the most distal position")
    out = BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()


def _write(pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, anchor: str = "la") -> None:
    font = ImageFont.load_default(_TEXT_PX)
    pen.text(at, text, fill=_INK, font=font, anchor=anchor, stroke_width=2, stroke_fill=(0, 0, 0))
