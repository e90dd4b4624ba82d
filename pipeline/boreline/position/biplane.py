"""Length in space from two views: depth along the rays of the first view, found where the second shows a vessel.

Both views share the isocentre, so every point of the first centreline is a ray, and every depth on it a pixel of
the second view. The course of depth that keeps to the second view's vessel is an optimal path; the two runs may be
shifted against each other along the body (breath), which is searched for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.ndimage import map_coordinates

from boreline.model import FloatArray

LEAST_ANGLE_DEG = 30.0
"""Between two views: common practice, no source."""

_DEPTHS_MM = np.arange(-60.0, 60.5, 0.75)
_SHIFTS_MM = np.arange(-6.0, 6.25, 0.5)
_STEP_MM = 1.0
_SLOPE_COST = 0.003
_WINDOW = 5  # depth steps to either side of the chosen one
_STEEPEST = 3  # depth steps per step along


@dataclass(frozen=True, slots=True)
class XrayGeometry:
    """A view (degrees, + = LAO and + = cranial), its distances and its pixels."""

    primary_deg: float
    secondary_deg: float
    source_to_detector_mm: float
    source_to_patient_mm: float
    imager_mm: float
    centre_px: tuple[float, float]

    def axes(self) -> FloatArray:
        """Rows: image right, image up, towards the detector; patient axes left, back, head (PS3.3 C.8.7.5)."""
        a, b = np.radians(self.primary_deg), np.radians(self.secondary_deg)
        towards = np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])
        up = np.array([0.0, 0.0, 1.0]) - towards[2] * towards
        up /= np.linalg.norm(up)
        return np.array([np.cross(up, towards), up, towards])

    def places_mm(self, xy_px: FloatArray, depth_mm: FloatArray) -> FloatArray:
        """Places in space at depths towards the detector, shape (..., 3)."""
        scale = (self.source_to_patient_mm + depth_mm) / self.source_to_detector_mm * self.imager_mm
        right = (xy_px[..., 0] - self.centre_px[0]) * scale
        up = (self.centre_px[1] - xy_px[..., 1]) * scale
        places: FloatArray = np.stack([right, up, np.broadcast_to(depth_mm, right.shape)], axis=-1) @ self.axes()
        return places

    def project(self, places_mm: FloatArray) -> FloatArray:
        """Pixels (x, y), shape (..., 2)."""
        seen = places_mm @ self.axes().T
        scale = self.source_to_detector_mm / (self.source_to_patient_mm + seen[..., 2]) / self.imager_mm
        return np.stack([self.centre_px[0] + seen[..., 0] * scale, self.centre_px[1] - seen[..., 1] * scale], axis=-1)


def angle_between_deg(a: XrayGeometry, b: XrayGeometry) -> float:
    """Angle between the beams of two views."""
    return float(np.degrees(np.arccos(np.clip(a.axes()[2] @ b.axes()[2], -1, 1))))


def arc_in_space_mm(
    line_px: FloatArray, first: XrayGeometry, second: XrayGeometry, second_ridge: FloatArray
) -> tuple[FloatArray, float]:
    """Length along a centreline in space.

    Parameters
    ----------
    line_px
        Shape (n, 2), on the first view.
    second_ridge
        `middle_map` of the second view's frame.

    Returns
    -------
    arc_mm
        Shape (n,), from the first point.
    support
        Mean ridge strength along the chosen course, 0..1.
    """
    arc_px = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_px, axis=0).T))])
    mm_per_px = first.imager_mm * first.source_to_patient_mm / first.source_to_detector_mm
    at = np.arange(0.0, arc_px[-1], _STEP_MM / mm_per_px)
    coarse = np.column_stack([np.interp(at, arc_px, line_px[:, c]) for c in range(2)])
    grid = first.places_mm(coarse[:, None, :], _DEPTHS_MM[None, :])
    best: tuple[float, FloatArray] | None = None
    for shift in _SHIFTS_MM:
        pixels = second.project(grid + shift * np.array([0.0, 0.0, 1.0]))
        ridge = map_coordinates(second_ridge, [pixels[..., 1], pixels[..., 0]], order=1, mode="constant")
        support, index = _deepest_course(ridge)
        if best is None or support > best[0]:
            best = support, _middle_of_ridge(ridge, index)
    if best is None or len(at) < 6:
        return arc_px * mm_per_px, 0.0
    depth = make_smoothing_spline(at, best[1], lam=(8.0 / mm_per_px) ** 2)(at)
    places = first.places_mm(coarse, depth)
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(places, axis=0), axis=1))])
    tail = length[-1] + (arc_px - at[-1]) * mm_per_px
    return np.where(arc_px <= at[-1], np.interp(arc_px, at, length), tail), best[0]


def _middle_of_ridge(ridge: FloatArray, index: np.ndarray) -> FloatArray:
    """Depths at the ridge's centre of mass about the chosen steps: a wide vessel must not flatten the course."""
    rows = np.arange(len(index))[:, None]
    window = np.arange(-_WINDOW, _WINDOW + 1)[None, :]
    middle = index.astype(np.float64)
    for _ in range(3):
        at = np.clip(np.rint(middle)[:, None].astype(np.int64) + window, 0, ridge.shape[1] - 1)
        weight = ridge[rows, at] ** 2 + 1e-6
        middle = (weight * at).sum(axis=1) / weight.sum(axis=1)
    depths: FloatArray = np.interp(middle, np.arange(len(_DEPTHS_MM)), _DEPTHS_MM)
    return depths


def _deepest_course(ridge: FloatArray) -> tuple[float, np.ndarray]:
    """Optimal path through (along, depth): most ridge, with limited and costed slope."""
    n, depths = ridge.shape
    total = ridge[0].copy()
    came = np.zeros((n, depths), dtype=np.int64)
    columns = np.arange(depths)
    moves = np.arange(-_STEEPEST, _STEEPEST + 1)
    for k in range(1, n):
        source = columns[None, :] + moves[:, None]
        value = np.where(
            (source >= 0) & (source < depths),
            total[np.clip(source, 0, depths - 1)] - _SLOPE_COST * moves[:, None] ** 2,
            -np.inf,
        )
        pick = value.argmax(axis=0)
        came[k] = np.clip(columns + moves[pick], 0, depths - 1)
        total = value[pick, columns] + ridge[k]
    index = np.zeros(n, dtype=np.int64)
    index[-1] = int(total.argmax())
    for k in range(n - 1, 0, -1):
        index[k - 1] = came[k, index[k]]
    return float(ridge[np.arange(n), index].mean()), index
