"""The arc beside an operator's points, solved again in the picture.

The points hold, and so does the border outside a window about them. Between, the border is the bent one moved by a
little to where the picture has an edge and looks as it does at the nearest point: a cheapest closed path through a
strip along the bent border. That moves it no further than the operator did, and never to the other side of the old
border: a push outwards only adds area and a push inwards only takes some.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from boreline.correction.border import TURN, Polar
from boreline.correction.evidence import (
    ANGLES,
    N_RAYS,
    PATTERN_STEPS,
    edge_rise,
    edge_score,
    likeness,
    offsets,
    pattern_at,
    round_smooth,
    spread_of,
    strip,
)
from boreline.model import BoolArray, FloatArray, GreyImage
from boreline.segmentation.surfaces import closed_path

WINDOW_SHARE = 1.25
"""The window is this much wider than without a picture, as the picture says where the old border is right again."""
_BAND_STEPS = 10
"""The border is looked for up to 0.2 mm from the bent one."""
_FURTHEST_DEG = 75.0
"""Beyond the window, but this close to a point, the border may still follow an edge."""
_TAPER_DEG = 40.0
_EDGE_WEIGHT, _ALIKE_WEIGHT, _BENT_WEIGHT = 0.5, 0.3, 0.1
_BENT_MM = 0.1
_STIFFNESS = 0.05
_FORBIDDEN = 1e4
_LEAST_SHARE = 0.3
_REACH_STEPS = _BAND_STEPS + PATTERN_STEPS
_N_COLUMNS = 2 * _BAND_STEPS + 1

LogFactor = Callable[[FloatArray], FloatArray]
"""Logarithm of the factor on the radius, by angle (0 to 2 pi)."""


def solved_arc(
    grey: GreyImage, polar: Polar, mm_per_px: FloatArray, knots: FloatArray, pushes: FloatArray, bent: LogFactor
) -> LogFactor:
    """The factor that the picture prefers to `bent`; the same at the knots.

    Parameters
    ----------
    polar
        The border before the edit, millimetres.
    knots, pushes
        Angles (rising, in [0, 2 pi)) of points, with the logarithm of their factors; 0 for points that hold.
    """
    old = polar.radius_at(ANGLES)
    bend = bent(ANGLES)
    target = old * np.exp(bend)
    at_knot = np.round(knots * N_RAYS / TURN).astype(np.intp) % N_RAYS
    side, free = _sides(knots, pushes, bend)
    free[at_knot] = False
    view = strip(grey, polar.apex, target, _REACH_STEPS, mm_per_px)
    move = offsets(_BAND_STEPS)
    rise = edge_rise(view, PATTERN_STEPS, _N_COLUMNS)
    cost = -_EDGE_WEIGHT * edge_score(rise, spread_of(rise))
    cost -= _ALIKE_WEIGHT * _like_nearest_point(view, knots[pushes != 0.0])
    cost += (_BENT_WEIGHT * (move / _BENT_MM) ** 2).astype(np.float32)
    wanted = target[:, None] + move[None, :]
    against = (wanted - old[:, None]) * side[:, None] < 0.0
    most = np.max(np.abs(np.expm1(pushes)) * polar.radius_at(knots))  # never further than the operator moved it
    against |= np.abs(move)[None, :] > most * _taper(knots[pushes != 0.0])[:, None]
    against |= wanted < _LEAST_SHARE * np.minimum(old, target)[:, None]
    cost[against | ~free[:, None]] = _FORBIDDEN
    cost[~free, _BAND_STEPS] = 0.0
    path = closed_path(np.ascontiguousarray(cost, dtype=np.float32), 2, _STIFFNESS)
    moved = np.where(free, round_smooth(move[path], 1.0), 0.0)
    radius = np.where(side > 0, np.maximum(target + moved, old), np.minimum(target + moved, old))
    factor = np.where(free, np.log(radius / old), bend)

    between = np.delete(np.arange(N_RAYS), at_knot)
    nodes, values = np.concatenate([knots, ANGLES[between]]), np.concatenate([pushes, factor[between]])

    def log_factor(angles: FloatArray) -> FloatArray:
        return np.asarray(np.interp(angles, nodes, values, period=TURN))

    return log_factor


def _sides(knots: FloatArray, pushes: FloatArray, bend: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Per ray the side of the old border on which it has to stay, and whether it may be moved by the picture."""
    distance = _apart(ANGLES[:, None], knots[None, :])
    nearest = np.argmin(distance, axis=1)
    side = np.where(bend != 0.0, np.sign(bend), np.sign(pushes[nearest]))
    free = (bend != 0.0) | ((side != 0.0) & (distance[np.arange(N_RAYS), nearest] < np.radians(_FURTHEST_DEG)))
    return side, free


def _taper(points: FloatArray) -> FloatArray:
    """1 near a new point, falling to 0 where the search ends: no kink there."""
    if not len(points):
        return np.zeros(N_RAYS)
    distance = np.degrees(_apart(ANGLES[:, None], points[None, :]).min(axis=1))
    return np.asarray(np.clip((_FURTHEST_DEG - distance) / _TAPER_DEG, 0.0, 1.0))


def _like_nearest_point(view: np.ndarray, points: FloatArray) -> np.ndarray:
    """Likeness of every place to the pattern at the nearest new point."""
    if not len(points):
        return np.zeros((N_RAYS, _N_COLUMNS), dtype=np.float32)
    at = np.round(points * N_RAYS / TURN).astype(np.intp) % N_RAYS
    nearest = np.argmin(_apart(ANGLES[:, None], points[None, :]), axis=1)
    return likeness(view, pattern_at(view, _REACH_STEPS)[at[nearest]], PATTERN_STEPS, _N_COLUMNS)


def _apart(one: FloatArray, two: FloatArray) -> FloatArray:
    return np.asarray(np.abs(np.mod(one - two + np.pi, TURN) - np.pi))
