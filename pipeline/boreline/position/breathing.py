"""How the picture drifts with the breath: the whole of guide, wire and catheter is followed from frame to frame.

Thin dark lines are kept, what never moves (ribs, clips on the chest) is taken out, and the rest is matched to its
own average. The part of that movement that repeats with the heart beat is left to the registration; the slow rest
is the breath, and a moved table.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray
from boreline.position.centreline import ridge_strength

_MARGIN_MM = 14.0
_SEARCH_MM = 9.0
_LINE_MM = 0.35
_MARKER_MM = 1.6
_RING_PX = 3
_LINE_OF_RING = 90  # per cent: the line crosses the ring twice
_STILL = 0.5
_KNOT_S = 0.4
_STIFFNESS = 0.6
_HARMONICS = 3
_LEAST_MATCH = 0.25


@dataclass(frozen=True, slots=True)
class Lines:
    """Thin dark lines around the track in every frame, at half the pixels: shape (n, rows, columns)."""

    maps: npt.NDArray[np.uint8]
    reduction: float


def line_maps(frames: Iterable[npt.NDArray[np.generic]], marker_px: FloatArray, mm_per_px: float) -> Lines:
    """Collect the line maps of all frames in a box around the marker's way; the marker is thinned.

    A marker, or a hole in its place, would draw the match along with the withdrawal: it is brought down to the
    strength of the line about it.
    """
    margin = _MARGIN_MM / mm_per_px
    low = np.floor(np.nanmin(marker_px, axis=0) - margin).astype(int)
    high = np.ceil(np.nanmax(marker_px, axis=0) + margin).astype(int)
    sigma = max(1.0, _LINE_MM / mm_per_px)
    maps = []
    for number, frame in enumerate(frames):
        x0, y0 = np.maximum(low, 0)
        cut = frame[y0 : high[1], x0 : high[0]].astype(np.float32)
        ridge = ridge_strength(cut, sigma)
        if np.isfinite(marker_px[number, 0]):
            x, y = np.rint(marker_px[number] - np.maximum(low, 0)).astype(int)
            _thin(ridge, int(x), int(y), round(_MARKER_MM / mm_per_px))
        half = cv2.resize(ridge, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        scale = 40.0 / max(float(np.percentile(half, 98)), 1e-6)
        maps.append(np.clip(half * scale, 0, 255).astype(np.uint8))
    return Lines(np.array(maps), 2.0)


def _thin(ridge: npt.NDArray[np.float32], x: int, y: int, radius: int) -> None:
    reach = radius + _RING_PX
    rows, columns = slice(max(0, y - reach), y + reach + 1), slice(max(0, x - reach), x + reach + 1)
    window = ridge[rows, columns]
    down, right = np.indices(window.shape)
    away = np.hypot(down + rows.start - y, right + columns.start - x)
    ring = window[(away > radius) & (away <= reach)]
    if ring.size:
        window[away <= radius] = np.minimum(window[away <= radius], np.percentile(ring, _LINE_OF_RING))


def follow(lines: Lines, mm_per_px: float) -> tuple[FloatArray, FloatArray]:
    """Shift of every frame against their average, shape (n, 2) in pixels, and the match (n,), -1..1."""
    still = np.median(lines.maps[:: max(1, len(lines.maps) // 40)], axis=0).astype(np.float32)
    moving = [np.clip(m.astype(np.float32) - _STILL * still, 0, None) for m in lines.maps]
    search = round(_SEARCH_MM / mm_per_px / lines.reduction)
    rows, columns = still.shape
    search = max(2, min(search, rows // 4, columns // 4))
    template = moving[len(moving) // 2]
    shift = np.zeros((len(moving), 2))
    match = np.zeros(len(moving))
    for turn in range(3):
        core = template[search:-search, search:-search]
        total = np.zeros_like(template)
        for k, frame in enumerate(moving):
            surface = cv2.matchTemplate(frame, core, cv2.TM_CCOEFF_NORMED)
            _, match[k], _, (x, y) = cv2.minMaxLoc(surface)
            dx, dy = _peak_offset(surface, x, y)
            shift[k] = x - search + dx, y - search + dy
            total += _moved(frame, -shift[k])
        template = total / len(moving)
        if turn == 0 and float(np.median(match)) < 0.02:
            break
    return shift * lines.reduction, match


def _moved(image: npt.NDArray[np.float32], by: FloatArray) -> npt.NDArray[np.float32]:
    matrix = np.array([[1, 0, by[0]], [0, 1, by[1]]], dtype=np.float32)
    moved: npt.NDArray[np.float32] = cv2.warpAffine(image, matrix, image.shape[::-1])
    return moved


def _peak_offset(surface: npt.NDArray[np.float32], x: int, y: int) -> tuple[float, float]:
    def vertex(line: npt.NDArray[np.float32], k: int) -> float:
        if not 0 < k < len(line) - 1:
            return 0.0
        bend = float(line[k - 1] - 2 * line[k] + line[k + 1])
        return float(np.clip((line[k - 1] - line[k + 1]) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0

    return vertex(surface[y], x), vertex(surface[:, x], y)


def slow_part(shift_px: FloatArray, match: FloatArray, times_s: FloatArray, phase: FloatArray) -> FloatArray:
    """The part of a movement that does not repeat with the beat, zero on average, shape (n, 2).

    Least squares over harmonics of the phase and a piecewise linear course with a penalty on its bends; without
    a phase the beat is averaged out by the course's stiffness alone.
    """
    n = len(times_s)
    if float(np.median(match)) < _LEAST_MATCH:
        return np.zeros((n, 2))
    knots = np.arange(times_s[0], times_s[-1] + _KNOT_S, _KNOT_S)
    hats = np.maximum(0.0, 1 - np.abs(times_s[:, None] - knots[None, :]) / _KNOT_S)
    beat = _harmonics(phase)
    weight = np.sqrt(np.clip(match, 0.05, 1))[:, None]
    bends = np.diff(np.eye(len(knots)), 2, axis=0) * _STIFFNESS * np.sqrt(n / len(knots))
    design = np.vstack([np.hstack([hats, beat]) * weight, np.hstack([bends, np.zeros((len(bends), beat.shape[1]))])])
    target = np.vstack([shift_px * weight, np.zeros((len(bends), 2))])
    solution = np.linalg.lstsq(design, target, rcond=None)[0]
    slow: FloatArray = hats @ solution[: len(knots)]
    return slow - np.median(slow, axis=0)


def _harmonics(phase: FloatArray) -> FloatArray:
    known = np.where(np.isfinite(phase), phase, 0.0)
    angles = 2 * np.pi * known[:, None] * np.arange(1, _HARMONICS + 1)[None, :]
    return np.hstack([np.cos(angles), np.sin(angles)]) * np.isfinite(phase)[:, None]
