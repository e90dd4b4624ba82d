"""The cine frame with the path on it: a tick every 5 mm, and the places that matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from boreline.model import FloatArray
from boreline.position.centreline import Centreline, Image

TICK_MM = 5.0
_ENLARGED = 2
_PATH = (80, 200, 255)  # blue, green, red
_INK = (255, 255, 255)


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place on the cine frame."""

    xy_px: tuple[float, float]
    label: str


def draw_path(frame: Image, line: Centreline, arc_mm: FloatArray, zero_mm: float, marks: Sequence[Mark] = ()) -> bytes:
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
    picture = cv2.cvtColor(
        cv2.resize(grey, None, fx=_ENLARGED, fy=_ENLARGED, interpolation=cv2.INTER_CUBIC), cv2.COLOR_GRAY2BGR
    )
    points = np.rint((line.xy_px + 0.5) * _ENLARGED).astype(np.int32)
    cv2.polylines(picture, [points], False, _PATH, 1, cv2.LINE_AA)
    tangent = np.gradient(line.xy_px, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    for tick in np.arange(0.0, arc_mm[-1] - zero_mm + 1e-9, TICK_MM):
        k = int(np.argmin(np.abs(arc_mm - zero_mm - tick)))
        a, b = (tuple(int(v) for v in np.rint((line.xy_px[k] + 0.5 + s * normal[k]) * _ENLARGED)) for s in (-6, 6))
        cv2.line(picture, a, b, _PATH, 1, cv2.LINE_AA)
        _write(picture, f"{tick:g}", (b[0] + 4, b[1] + 4), 0.4)
    for row, mark in enumerate(marks):
        x, y = (int(v) for v in np.rint((np.array(mark.xy_px) + 0.5) * _ENLARGED))
        cv2.circle(picture, (x, y), 9, _INK, 1, cv2.LINE_AA)
        at = (12, 24 + 20 * row)
        cv2.line(picture, (x, y), (at[0] + 8 * len(mark.label), at[1] - 5), (150, 150, 150), 1, cv2.LINE_AA)
        _write(picture, mark.label, at, 0.5)
    _write(picture, "mm from the most distal position", (12, picture.shape[0] - 12), 0.45)
    return bytes(cv2.imencode(".png", picture)[1].tobytes())


def _write(picture: Image, text: str, at: tuple[int, int], size: float) -> None:
    cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, (0, 0, 0), 3, cv2.LINE_AA)
    cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, _INK, 1, cv2.LINE_AA)
