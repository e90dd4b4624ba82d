"""Length in space from two views: depth along the rays of the first view, found where the second shows a vessel.

Both views share the isocentre, so every point of the first centreline is a ray, and every depth on it a pixel of
the second view. The course of depth that keeps to the second view's vessel is an optimal path.

The two runs are taken at different breaths, and so lie off each other. Any shift leaves a course that fits the
second view's vessel, each with another length: the ridge alone cannot tell. What tells is that places that
correspond look alike (`appearance`); what stays open goes into the stated uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.ndimage import map_coordinates

from boreline.model import FloatArray
from boreline.position.appearance import likeness, straightened
from boreline.position.centreline import Image, middle_map
from boreline.position.xray_geometry import XrayGeometry

LEAST_ANGLE_DEG = 30.0
"""Between two views: common practice, no source."""

_DEPTHS_MM = np.arange(-60.0, 60.5, 0.75)
_SHIFTS_MM = np.arange(-7.0, 7.25, 0.5)
_STEP_MM = 1.0
_FEWEST = 6
_STIFFNESS_MM = 5.0
_LEAST_WEIGHT = 0.02
_FEATURE_MM = 3.0
_FAR_MM = 10.0
_SLOPE_COST = 0.003
_WINDOW = 5  # depth steps to either side of the chosen one
_STEEPEST = 3  # depth steps per step along


@dataclass(frozen=True, slots=True)
class SpaceArc:
    """Length along a centreline in space.

    Attributes
    ----------
    arc_mm
        Shape (n,), from the first point; the mean over all shifts, each as likely as the pictures make it.
    relative_sd
        Standard uncertainty of a distance of 10 mm or more, as a share of it: its spread over the shifts.
    shift_mm, shift_sd_mm
        By how much the second run lies off the first across the plane of the two beams (breath, table).
    likeness
        Of the straightened pictures of both views at the likeliest shift, -1..1.
    support
        Mean ridge strength of the second view along the course, 0..1.
    """

    arc_mm: FloatArray
    relative_sd: float
    shift_mm: float
    shift_sd_mm: float
    likeness: float
    support: float


def arc_in_space(
    line_px: FloatArray,
    pictures: tuple[Image, Image],
    views: tuple[XrayGeometry, XrayGeometry],
    *,
    shift_sd_mm: float = 2.5,
) -> SpaceArc:
    """Measure a centreline of the first view in space.

    Parameters
    ----------
    line_px
        Shape (n, 2), on the first view's picture.
    shift_sd_mm
        How far the two runs may be expected to lie off each other.
    """
    first, second = views
    mm_per_px = first.mm_per_px
    arc_px = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_px, axis=0).T))])
    at = np.arange(0.0, arc_px[-1], _STEP_MM / mm_per_px)
    if len(at) < _FEWEST:
        return SpaceArc(arc_px * mm_per_px, float("nan"), 0.0, shift_sd_mm, 0.0, 0.0)
    coarse = np.column_stack([np.interp(at, arc_px, line_px[:, c]) for c in range(2)])
    ridge = middle_map(pictures[1], second.mm_per_px)
    looks = straightened(pictures[0], coarse, mm_per_px)
    grid = first.places_mm(coarse[:, None, :], _DEPTHS_MM[None, :])
    across = np.cross(first.axes()[2], second.axes()[2])
    across /= np.linalg.norm(across)
    arcs, alike, support = [], [], []
    for shift in _SHIFTS_MM:
        off = shift * across
        pixels = second.project(grid + off)
        offered = map_coordinates(ridge, [pixels[..., 1], pixels[..., 0]], order=1, mode="constant")
        strength, index = _deepest_course(offered)
        depth = _smooth_depth(at * mm_per_px, _middle_of_ridge(offered, index), coarse, off, views)
        places = first.places_mm(coarse, depth)
        arcs.append(np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(places, axis=0), axis=1))]))
        alike.append(likeness(looks, straightened(pictures[1], second.project(places + off), second.mm_per_px)))
        support.append(strength)
    weight = _weights(np.array(alike), at[-1] * mm_per_px, shift_sd_mm)
    best = int(weight.argmax())
    length = weight @ np.array(arcs)
    shift = float(weight @ _SHIFTS_MM)
    tail = length[-1] + (arc_px - at[-1]) * mm_per_px
    return SpaceArc(
        arc_mm=np.where(arc_px <= at[-1], np.interp(arc_px, at, length), tail),
        relative_sd=_relative_sd(np.array(arcs), weight, length),
        shift_mm=shift,
        shift_sd_mm=float(np.sqrt(weight @ (_SHIFTS_MM - shift) ** 2)),
        likeness=alike[best],
        support=support[best],
    )


def _weights(alike: FloatArray, length_mm: float, shift_sd_mm: float) -> FloatArray:
    """Probability of each shift: that of the pictures' difference (normal, size unknown) times the expected spread.

    Pictures of a vessel repeat themselves over about `_FEATURE_MM`: so many of them count as independent.
    """
    independent = length_mm / _FEATURE_MM
    log = -0.5 * independent * np.log(1 - np.clip(alike, 0, 0.999) ** 2) - 0.5 * (_SHIFTS_MM / shift_sd_mm) ** 2
    weight = np.exp(log - log.max())
    share: FloatArray = weight / weight.sum()
    return share


def _relative_sd(arcs_mm: FloatArray, weight: FloatArray, mean_mm: FloatArray) -> float:
    """Root mean square, over pairs of places, of the spread of their distance as a share of it."""
    places = np.arange(0, len(mean_mm), max(1, round(2.5 / _STEP_MM)))
    a, b = np.triu_indices(len(places), 1)
    distance = mean_mm[places[b]] - mean_mm[places[a]]
    far = distance >= min(_FAR_MM, float(mean_mm[-1]) / 2)
    spread = weight @ (arcs_mm[:, places[b]] - arcs_mm[:, places[a]] - distance) ** 2
    return float(np.sqrt(np.mean(spread[far] / distance[far] ** 2)))


def _smooth_depth(
    along_mm: FloatArray,
    depth_mm: FloatArray,
    coarse_px: FloatArray,
    off_mm: FloatArray,
    views: tuple[XrayGeometry, XrayGeometry],
) -> FloatArray:
    """Depths as a smooth curve in which each counts by how well the second view fixes it.

    Where the vessel runs along the ray's picture in the second view, every depth lies on it: there the curve is
    carried by its neighbours.
    """
    first, second = views
    even = make_smoothing_spline(along_mm, depth_mm, lam=_STIFFNESS_MM**2)(along_mm)
    here, deeper = (second.project(first.places_mm(coarse_px, even + step) + off_mm) for step in (0.0, 1.0))
    ray, course = deeper - here, np.gradient(here, axis=0)
    sine = (ray[:, 0] * course[:, 1] - ray[:, 1] * course[:, 0]) / np.maximum(
        np.hypot(*ray.T) * np.hypot(*course.T), 1e-9
    )
    weight = np.maximum(sine**2, _LEAST_WEIGHT)
    depth: FloatArray = make_smoothing_spline(along_mm, depth_mm, w=weight, lam=_STIFFNESS_MM**2)(along_mm)
    return depth


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
