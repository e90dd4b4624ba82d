"""The vessel's centreline in a contrast cine: best-filled frame, ridge filter, minimal path, sub-pixel smoothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import make_smoothing_spline
from scipy.ndimage import map_coordinates

from boreline.model import FloatArray

Image = npt.NDArray[np.generic]

VESSEL_RADII_MM = (0.5, 0.9, 1.4)
"""Radii that the ridge filter looks for: coronary lumens of 1 to 4 mm diameter."""

_STEP_PX = 0.5
_FULL = 0.97
_NEARLY_FULL = 0.93
_CONTRAST_FLOOR = 0.35


@dataclass(frozen=True, slots=True)
class Centreline:
    """A smooth curve on one cine frame, from its distal to its proximal end.

    Attributes
    ----------
    xy_px
        Shape (n, 2), about half a pixel apart.
    arc_px
        Shape (n,), length from the distal end.
    contrast
        Shape (n,): depth of the vessel's shadow relative to the curve's own median; about 1 where filled.
    """

    xy_px: FloatArray
    arc_px: FloatArray
    contrast: FloatArray

    @property
    def filled_share(self) -> float:
        """Share of the length over which contrast fills the vessel."""
        return float(np.mean(self.contrast > _CONTRAST_FLOOR))

    def at(self, arc_px: FloatArray) -> FloatArray:
        """Places at given lengths, shape (n, 2); beyond an end the end's direction is kept."""
        return np.column_stack([_extended(arc_px, self.arc_px, self.xy_px[:, c]) for c in range(2)])


def _extended(at: FloatArray, arc: FloatArray, value: FloatArray) -> FloatArray:
    k = min(12, len(arc) - 1)
    low = (value[k] - value[0]) / (arc[k] - arc[0])
    high = (value[-1] - value[-1 - k]) / (arc[-1] - arc[-1 - k])
    inside: FloatArray = np.interp(at, arc, value)
    beyond: FloatArray = low * np.minimum(at - arc[0], 0) + high * np.maximum(at - arc[-1], 0)
    return inside + beyond


def line_mm(arc_px: FloatArray, line_arc_px: FloatArray, line_arc_mm: FloatArray) -> FloatArray:
    """Millimetres at lengths in pixels along a line; beyond an end the end's own scale goes on."""
    inside: FloatArray = np.interp(arc_px, line_arc_px, line_arc_mm)
    k = max(1, len(line_arc_px) // 20)
    low = (line_arc_mm[k] - line_arc_mm[0]) / (line_arc_px[k] - line_arc_px[0])
    high = (line_arc_mm[-1] - line_arc_mm[-1 - k]) / (line_arc_px[-1] - line_arc_px[-1 - k])
    beyond = np.minimum(arc_px - line_arc_px[0], 0) * low + np.maximum(arc_px - line_arc_px[-1], 0) * high
    return np.where(np.isfinite(arc_px), inside + beyond, np.nan)


def filling_course(frames: Iterable[Image], mm_per_px: float) -> FloatArray:
    """How much vessel shows in each cine frame: the sum of ridge strength beyond the least filled frames."""
    sigma = max(1.0, 0.5 * VESSEL_RADII_MM[1] / mm_per_px)
    strength = []
    for frame in frames:
        half = cv2.resize(frame.astype(np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        ridge = ridge_strength(half, sigma)
        strength.append(float(np.mean(ridge[ridge > np.percentile(ridge, 95)])))
    course: FloatArray = np.array(strength, dtype=np.float64)
    if len(course) >= 3:
        course = np.convolve(np.pad(course, 1, mode="edge"), np.ones(3) / 3, "valid")
    above: FloatArray = course - course.min()
    return above


def best_filled_frame(course: FloatArray, phase: FloatArray | None = None) -> int:
    """The frame (0-based) that carries the path.

    Parameters
    ----------
    course
        Of `filling_course`.
    phase
        Of the beat in each frame, 0 at the R wave: of the nearly filled frames the one nearest to the R wave is
        taken, since the vessel shortens as the heart contracts (end-diastolic frames are common practice, no
        source). Without it, the middle of the longest stretch in which the filling is nearly at its height.
    """
    if phase is not None:
        filled = np.flatnonzero(course >= _NEARLY_FULL * course.max())
        return int(filled[np.argmin(np.minimum(phase[filled], 1 - phase[filled]))])
    full = course >= _FULL * course.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(np.int8), [0]])))
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int((starts[longest] + stops[longest] - 1) // 2)


def ridge_strength(frame: npt.NDArray[np.float32], sigma_px: float) -> npt.NDArray[np.float32]:
    """Larger eigenvalue of the Hessian where it is positive: dark lines of about that width."""
    smooth = cv2.GaussianBlur(frame, (0, 0), sigma_px)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3) / 4
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3) / 4
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3) / 4
    larger = (xx + yy) / 2 + np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    strength: npt.NDArray[np.float32] = np.maximum(larger, 0)
    return strength


def middle_map(frame: Image, mm_per_px: float) -> FloatArray:
    """The middle of tubes of coronary calibre, 0..1: `ridge_map` times the ridge's share of its highest nearby."""
    ridge = _ridge(frame, mm_per_px)
    size = 2 * round(VESSEL_RADII_MM[-1] / mm_per_px) + 1
    highest = cv2.dilate(ridge, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    clear = np.clip(ridge / max(float(np.percentile(ridge, 99)), 1e-9), 0, 1)
    middle: FloatArray = (clear * (ridge / np.maximum(highest, 1e-9)) ** 2).astype(np.float64)
    return middle


def ridge_map(frame: Image, mm_per_px: float) -> FloatArray:
    """Tubes of coronary calibre, 0..1 (1 = as strong as the clearest percent of the picture)."""
    ridge = _ridge(frame, mm_per_px)
    scaled: FloatArray = np.clip(ridge / max(float(np.percentile(ridge, 99)), 1e-9), 0, 1).astype(np.float64)
    return scaled


def _ridge(frame: Image, mm_per_px: float) -> npt.NDArray[np.float32]:
    grey = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 0.7)
    sigmas = [max(1.0, radius / mm_per_px / 1.7) for radius in VESSEL_RADII_MM]
    from skimage.filters import sato  # heavy, and only co-registration needs it

    ridge: npt.NDArray[np.float32] = sato(grey, sigmas=sigmas, black_ridges=True, mode="reflect").astype(np.float32)
    return ridge


def trace(
    frame: Image,
    waypoints_px: FloatArray,
    mm_per_px: float,
    *,
    ridge: FloatArray | None = None,
    snap_mm: float = 2.5,
) -> Centreline:
    """The vessel through waypoints, from the first (distal) to the last (proximal).

    Parameters
    ----------
    frame
        Contrast dark.
    waypoints_px
        Shape (n, 2), n >= 2; the inner ones are moved to the strongest ridge within `snap_mm`.
    ridge
        `ridge_map` of the frame when it is at hand.
    """
    from skimage.graph import MCP_Geometric  # heavy, and only co-registration needs it

    ridge = ridge_map(frame, mm_per_px) if ridge is None else ridge
    rows, columns = ridge.shape
    anchors = [
        _snapped(ridge, point, snap_mm / mm_per_px) for point in np.clip(waypoints_px, 1, [columns - 2, rows - 2])
    ]
    cost = 1.0 / (0.02 + ridge)
    line: list[tuple[int, int]] = []
    for a, b in pairwise(anchors):
        if a == b:
            continue
        search = MCP_Geometric(cost)
        search.find_costs([a], [b])
        leg = search.traceback(b)
        line.extend(leg if not line else leg[1:])
    xy = np.array(line or [anchors[0], anchors[-1]], dtype=np.float64)[:, ::-1]
    return _refined(frame, _smooth(_without_spurs(xy), stiffness=8.0), mm_per_px)


def _snapped(ridge: FloatArray, point: FloatArray, reach_px: float) -> tuple[int, int]:
    x, y = point
    reach = int(np.ceil(reach_px))
    x0, y0 = max(int(x) - reach, 0), max(int(y) - reach, 0)
    window = ridge[y0 : int(y) + reach + 1, x0 : int(x) + reach + 1]
    rows, columns = np.mgrid[y0 : y0 + window.shape[0], x0 : x0 + window.shape[1]]
    near = np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / reach_px**2)
    best = int(np.argmax(window * near))
    return int(rows.flat[best]), int(columns.flat[best])


def _without_spurs(xy: FloatArray) -> FloatArray:
    """Cut detours: where the path comes back to a pixel it has visited, what lies between is dropped."""
    kept: list[tuple[float, float]] = []
    index: dict[tuple[float, float], int] = {}
    for x, y in xy:
        place = (float(x), float(y))
        if place in index:
            for dropped in kept[index[place] + 1 :]:
                index.pop(dropped, None)
            kept = kept[: index[place] + 1]
        else:
            index[place] = len(kept)
            kept.append(place)
    return np.array(kept)


def _smooth(xy: FloatArray, stiffness: float) -> FloatArray:
    steps = np.hypot(*np.diff(xy, axis=0).T)
    keep = np.concatenate([[True], steps > 1e-6])
    xy = xy[keep]
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    if len(xy) < 6:
        even = np.linspace(0, arc[-1], max(2, int(arc[-1] / _STEP_PX)))
        return np.column_stack([np.interp(even, arc, xy[:, c]) for c in range(2)])
    even = np.arange(0.0, arc[-1], _STEP_PX)
    return np.column_stack([make_smoothing_spline(arc, xy[:, c], lam=stiffness**2)(even) for c in range(2)])


def _refined(frame: Image, xy: FloatArray, mm_per_px: float) -> Centreline:
    """Move each point to the middle of the shadow across the path, then smooth again."""
    grey = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 0.8)
    half_width = max(4.0, 2.2 / mm_per_px)
    across = np.arange(-half_width, half_width + 0.25, 0.5)
    for stiffness in (20.0, 30.0):
        normal = _normals(xy)
        lines = xy[:, None, :] + across[None, :, None] * normal[:, None, :]
        values = map_coordinates(grey, [lines[..., 1], lines[..., 0]], order=1, mode="nearest")
        base = np.minimum(values[:, :3].mean(axis=1), values[:, -3:].mean(axis=1))
        depth = np.clip(base[:, None] - values, 0, None)
        kernel = np.ones((9, 1), np.float32) / 9
        depth = cv2.filter2D(depth.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REPLICATE).astype(np.float64)
        weight = depth**2 * np.exp(-((across / (0.6 * half_width)) ** 2))[None, :]
        total = weight.sum(axis=1)
        offset = np.where(total > 1e-6, (weight * across).sum(axis=1) / np.maximum(total, 1e-6), 0.0)
        xy = _smooth(xy + offset[:, None] * normal, stiffness)
    height = _shadow_depth(grey, xy, half_width)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return Centreline(xy, arc, height / max(float(np.median(height)), 1e-6))


def _shadow_depth(grey: npt.NDArray[np.float32], xy: FloatArray, half_width: float) -> FloatArray:
    normal = _normals(xy)
    sides = [map_coordinates(grey, (xy + k * half_width * normal).T[::-1], order=1, mode="nearest") for k in (-1, 1)]
    inside = map_coordinates(grey, xy.T[::-1], order=1, mode="nearest")
    depth = np.clip((sides[0] + sides[1]) / 2 - inside, 0, None).astype(np.float64)
    smoothed: FloatArray = np.convolve(np.pad(depth, 4, mode="edge"), np.ones(9) / 9, "valid")
    return smoothed


def _normals(xy: FloatArray) -> FloatArray:
    tangent = np.gradient(xy, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])
