"""From the vessel's millimetres to the picture's: the catheter's place, tilt, turn and uneven rotation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from boreline.model import FloatArray, IntArray
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, Borders, VesselPlan, borders
from boreline_phantoms.curves import polygon_area_centroid
from boreline_phantoms.motion import Track

DIRECTIONS: FloatArray = np.stack([np.cos(ANGLES_RAD), np.sin(ANGLES_RAD)], axis=-1)
CHUNK = 64
"""Frames handled at once, so that memory does not grow with the run."""


class Place(IntEnum):
    """Where the transducer is."""

    VESSEL = 0
    AORTA = 1
    GUIDE = 2
    NOWHERE = 3


@dataclass(frozen=True, slots=True)
class Views:
    """How each frame looks at the vessel.

    `matrix` (n, 2, 2) takes millimetres from the catheter in the vessel, which sits at `origin_mm` (n, 2), to the
    picture before uneven rotation; `warp` (n, 3, 2) is that of `Track`. `span_mm` is the imaged length of vessel.
    """

    place: IntArray
    z_mm: FloatArray
    span_mm: float
    matrix: FloatArray
    origin_mm: FloatArray
    warp: FloatArray


def places(plan: VesselPlan, n_frames: int) -> IntArray:
    """`Place` of each frame: vessel, then aorta, guide catheter and nothing at the proximal end."""
    place = np.full(n_frames, Place.VESSEL, dtype=np.int64)
    end = n_frames
    for share, kind in ((plan.blank, Place.NOWHERE), (plan.guide, Place.GUIDE), (plan.aorta, Place.AORTA)):
        start = max(0, end - round(share * n_frames))
        place[start:end] = kind
        end = start
    return place


def look(plan: VesselPlan, track: Track, seed: int, sheath_mm: float) -> Views:
    """Put the catheter into the vessel, frame by frame, never through its wall."""
    n = len(track.z_mm)
    place = places(plan, n)
    if track.in_guide is not None:
        place[track.in_guide] = Place.GUIDE
    inside = place == Place.VESSEL
    span = float(np.ptp(track.commanded_mm[inside])) if inside.any() else 0.0
    origin = np.zeros((n, 2))
    for start in range(0, n, CHUNK):
        part = slice(start, min(n, start + CHUNK))
        lumen = borders(plan, track.z_mm[part], span, seed).lumen[..., None] * DIRECTIONS
        origin[part] = _keep_inside(lumen, track.push[part], sheath_mm + 0.02)
    origin[~inside] = 0.12 * track.push[~inside]
    return Views(place, track.z_mm, span, _matrices(track), origin, track.warp)


def _keep_inside(lumen: FloatArray, push: FloatArray, sheath_mm: float) -> FloatArray:
    _, centre = polygon_area_centroid(lumen)
    share = np.clip(np.linalg.norm(push, axis=-1), 1e-6, 1.0)
    direction = push / np.linalg.norm(push, axis=-1).clip(1e-6)[:, None]
    # The farthest place along the direction where the sheath still fits, by bisection.
    low, high = np.zeros(len(push)), np.full(len(push), 4.0)
    for _ in range(14):
        middle = (low + high) / 2
        spot = centre + middle[:, None] * direction
        offset = lumen - spot[:, None, :]
        clear = np.hypot(offset[..., 0], offset[..., 1]).min(axis=-1) >= sheath_mm
        turned = np.einsum("nki,ni->nk", lumen - centre[:, None, :], direction)
        fits = clear & (middle < turned.max(axis=-1))
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    spot_mm: FloatArray = centre + (share * low)[:, None] * direction
    return spot_mm


def _matrices(track: Track) -> FloatArray:
    c, s = np.cos(track.tilt_towards_rad), np.sin(track.tilt_towards_rad)
    along = np.stack([np.stack([c * c, c * s], -1), np.stack([c * s, s * s], -1)], -2)
    stretch = np.eye(2) + (1 / np.cos(track.tilt_rad) - 1)[:, None, None] * along
    c, s = np.cos(track.turn_rad), np.sin(track.turn_rad)
    turn = np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2)
    matrix: FloatArray = np.einsum("nij,njk->nik", turn, stretch) * track.scale[:, None, None]
    return matrix


def project(points_mm: FloatArray, matrix: FloatArray, origin_mm: FloatArray) -> FloatArray:
    """Points of the vessel (..., 2) seen from the catheter, before uneven rotation."""
    seen: FloatArray = (points_mm - origin_mm) @ matrix.T
    return seen


def angle_error(shown_rad: FloatArray, warp: FloatArray) -> FloatArray:
    """What uneven rotation adds to an angle of the picture to give the true one; `warp` is (3, 2)."""
    total = np.zeros_like(shown_rad)
    for order, (cosine, sine) in enumerate(warp, start=1):
        total += cosine * np.cos(order * shown_rad) + sine * np.sin(order * shown_rad)
    return total


def as_shown(points_mm: FloatArray, warp: FloatArray) -> FloatArray:
    """Where uneven rotation puts points (..., 2) of the picture."""
    if not warp.any():
        return points_mm
    angle = np.arctan2(points_mm[..., 1], points_mm[..., 0])
    radius = np.hypot(points_mm[..., 0], points_mm[..., 1])
    shown = angle.copy()
    for _ in range(40):
        shown = angle - angle_error(shown, warp)
    return np.stack([radius * np.cos(shown), radius * np.sin(shown)], axis=-1)


def border_points(radii_mm: FloatArray) -> FloatArray:
    """Points (..., N_ANGLES, 2) of a border given as radii about the vessel's axis."""
    points: FloatArray = radii_mm[..., None] * DIRECTIONS
    return points


def runs_of(inside: np.ndarray) -> list[np.ndarray]:
    """Cyclic runs of true values as index arrays in order; one run of everything when all are true."""
    if inside.all():
        return [np.arange(len(inside))]
    if not inside.any():
        return []
    first = int(np.flatnonzero(~inside)[0])
    order = (np.arange(len(inside)) + first) % len(inside)
    picked = inside[order]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], picked, [False]]).astype(np.int8)))
    return [order[a:b] for a, b in edges.reshape(-1, 2)]


def calcium_front(section: Borders, frame: int) -> FloatArray:
    """Radius of the nearest calcium at each angle of one frame, infinite where there is none."""
    if not len(section.calcium):
        return np.full(N_ANGLES, np.inf)
    nearest: FloatArray = section.calcium[:, frame].min(axis=0)
    return nearest
