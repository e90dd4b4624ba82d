"""Lumen and EEM of one frame are coupled: the lumen never lies beyond the EEM.

When one of them is moved across the other, the other gives way by as much as a thin wall needs. A border that an
operator set does not give way: then the one that moved is held back at it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from boreline.correction.border import Border, Polar
from boreline.correction.evidence import ANGLES
from boreline.errors import InputRefused
from boreline.model import FloatArray, Structure

LEAST_WALL_MM = 0.05
"""Between lumen and EEM after a coupled move: thinner than a healthy intima and media (own choice)."""
_FALL_RAD = np.radians(15.0)
_NOTHING = 1e-6
_SURELY = 0.95
"""Edges lie a little nearer than their vertices."""


@dataclass(frozen=True, slots=True)
class Coupled:
    """Both borders after the move, millimetres. `held_back`: the moved one stops short of where it was put."""

    moved: Border
    other: Border
    held_back: bool


def coupled(structure: Structure, before: Border, moved: Border, other: Border, *, fixed: bool) -> Coupled:
    """Make room for `moved` (lumen or EEM) beside `other` (EEM or lumen).

    Parameters
    ----------
    before
        The moved border as it was; where it did not come closer to the other, nothing changes.
    fixed
        The other border is the operator's: the moved one is held back.

    Raises
    ------
    InputRefused
        They cross where neither can be described by angle.
    """
    if len(moved) == 0 or len(other) == 0 or structure is Structure.STENT:
        return Coupled(moved, other, False)
    outwards = structure is Structure.LUMEN
    inner, outer = (moved, other) if outwards else (other, moved)
    apex = inner.centre
    if _farthest(inner, apex) + LEAST_WALL_MM < _SURELY * _nearest(outer, apex):
        return Coupled(moved, other, False)
    here, there, was = (Polar.of(border, apex) if len(border) else None for border in (moved, other, before))
    if here is None or there is None:
        if _encloses(outer, inner):
            return Coupled(moved, other, False)
        raise InputRefused("the lumen would cross the EEM there", remedy="draw the outer one first")
    rays = np.unique(np.concatenate([ANGLES, np.mod(here.angle, 2.0 * np.pi), np.mod(there.angle, 2.0 * np.pi)]))
    sign = 1.0 if outwards else -1.0
    room = sign * (there.radius_at(rays) - here.radius_at(rays)) - LEAST_WALL_MM
    nearer = np.ones(len(rays), dtype=np.bool_)
    if was is not None:
        nearer = sign * (here.radius_at(rays) - was.radius_at(rays)) > _NOTHING
    short = np.where(nearer, np.maximum(-room, 0.0), 0.0)
    if short.max() <= _NOTHING:
        return Coupled(moved, other, False)
    if fixed:
        limit = there.radius_at(rays) - sign * LEAST_WALL_MM
        if was is not None:
            limit = sign * np.maximum(sign * limit, sign * was.radius_at(rays))
        held = sign * np.minimum(sign * here.radius_at(rays), sign * limit)
        radius = np.where(short > _NOTHING, held, here.radius_at(rays))
        return Coupled(_with_radius(here, rays, radius), other, True)
    give_way = _spread(rays, short)
    return Coupled(moved, _with_radius(there, rays, there.radius_at(rays) + sign * give_way), False)


def _farthest(border: Border, apex: FloatArray) -> float:
    return float(np.hypot(*(border.xy - apex).T).max())


def _nearest(border: Border, apex: FloatArray) -> float:
    return float(np.hypot(*(border.xy - apex).T).min()) if _encloses_point(border, apex) else 0.0


def _spread(rays: FloatArray, short: FloatArray) -> FloatArray:
    """At least `short` everywhere, falling smoothly to 0 beside it."""
    apart = np.abs(np.mod(rays[:, None] - rays[None, short > 0.0] + np.pi, 2.0 * np.pi) - np.pi)
    fall = np.where(apart < _FALL_RAD, 0.5 * (1.0 + np.cos(np.pi * np.minimum(apart / _FALL_RAD, 1.0))), 0.0)
    return np.asarray((fall * short[None, short > 0.0]).max(axis=1))


def _with_radius(polar: Polar, rays: FloatArray, radius: FloatArray) -> Border:
    """The border with other radii where they differ; there it has a vertex on every one of `rays`."""
    changed = np.abs(radius - polar.radius_at(rays)) > _NOTHING
    denser = polar.with_angles(rays[changed])
    wanted = np.interp(denser.angle, rays, radius, period=2.0 * np.pi)
    move = np.interp(denser.angle, rays, changed.astype(np.float64), period=2.0 * np.pi) > 1.0 - 1e-9
    factor = np.where(move, np.log(np.maximum(wanted, 1e-3) / denser.radius), 0.0)
    return denser.stretched(factor).border


def _encloses(outer: Border, inner: Border) -> bool:
    return all(_encloses_point(outer, vertex) for vertex in inner.xy)


def _encloses_point(border: Border, point: FloatArray) -> bool:
    curve = border.xy.astype(np.float32)[:, None, :]
    return cv2.pointPolygonTest(curve, (float(point[0]), float(point[1])), False) >= 0
