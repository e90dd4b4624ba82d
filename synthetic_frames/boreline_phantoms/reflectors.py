"""Strong point echoes: the guidewire beside the catheter and the struts of a stent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.model import FloatArray
from boreline_phantoms.anatomy import ANGLES_RAD
from boreline_phantoms.records import Scene
from boreline_phantoms.smooth import angle_between, wander

WIRE_MM = 0.17
_STRUT_SHADOW_DB, _STRUT_SHADOW_MM = 14.0, 0.07
_WIRE_SHADOW_DB = 32.0


@dataclass(frozen=True, slots=True)
class Reflector:
    """A point echo: where it is, how strong, and the shadow in dB that it throws at each ray."""

    angle_rad: float
    range_mm: float
    amplitude: float
    shadow_db: FloatArray


def aim_of_wire(scene: Scene, commanded_mm: FloatArray) -> FloatArray:
    """Where the guidewire would lie in each frame if the lumen had room: an angle that wanders slowly."""
    random = np.random.default_rng((scene.seed, 14))
    aim: FloatArray = random.uniform(0, 2 * np.pi) + wander(random, scale=4.0, sd=0.5)(commanded_mm)
    return aim


def wire_place(wanted_rad: float, sheath_mm: float, lumen: FloatArray) -> tuple[float, float] | None:
    """Angle and range of the guidewire's axis: beside the sheath, where the lumen has room for it."""
    distance = sheath_mm + WIRE_MM + 0.02
    room = lumen >= distance + WIRE_MM
    if not room.any():
        return None
    away = np.where(room, np.abs(angle_between(ANGLES_RAD, wanted_rad)), np.inf)
    best = int(np.argmin(away))
    return (wanted_rad % (2 * np.pi) if away[best] < 0.02 else float(ANGLES_RAD[best])), distance


def wire_half_rad(distance_mm: float) -> float:
    """Half the angle that the wire hides."""
    return float(np.arcsin(WIRE_MM / distance_mm))


def wire_echoes(wanted_rad: float, sheath_mm: float, lumen: FloatArray) -> list[Reflector]:
    """The wire's near face as a few points; empty when the lumen has no room for it."""
    place = wire_place(wanted_rad, sheath_mm, lumen)
    if place is None:
        return []
    angle, distance = place
    half = wire_half_rad(distance)
    away = np.abs(angle_between(ANGLES_RAD, angle))
    shadow = _WIRE_SHADOW_DB * np.clip((half - away) / (0.2 * half), 0, 1)
    found = []
    for offset in np.linspace(-0.6, 0.6, 9) * half:
        front = distance * np.cos(offset) - np.sqrt(WIRE_MM**2 - (distance * np.sin(offset)) ** 2)
        strength = 0.35 * np.exp(-0.5 * (offset / (0.35 * half)) ** 2)
        found.append(Reflector(float(angle + offset) % (2 * np.pi), float(front), float(strength), shadow))
    return found


def strut_angles(z_mm: float, struts: int) -> FloatArray:
    """Angles of the struts at a place: crowns that swing to and fro along the vessel."""
    number = np.arange(struts)
    swing = 2 * np.abs((z_mm / 1.4 + 0.5 * number) % 1.0 - 0.5) - 0.5
    angles: FloatArray = (2 * np.pi / struts) * (number + 0.7 * swing) + 0.15 * z_mm
    return angles % (2 * np.pi)


def strut_points(z_mm: float, struts: int, stent_mm: FloatArray) -> FloatArray:
    """Leading edges of the struts, shape (struts, 2), about the vessel's axis; `stent_mm` are the stent's radii."""
    angles = strut_angles(z_mm, struts)
    radius = np.interp(angles, ANGLES_RAD, stent_mm, period=2 * np.pi)
    points: FloatArray = radius[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    return points


def strut_echoes(spots_mm: FloatArray) -> list[Reflector]:
    """Echoes of struts at points about the catheter, shape (n, 2)."""
    found = []
    for x, y in spots_mm:
        angle, distance = float(np.arctan2(y, x)) % (2 * np.pi), float(np.hypot(x, y))
        away = np.abs(angle_between(ANGLES_RAD, angle)) * distance
        shadow = _STRUT_SHADOW_DB * np.exp(-0.5 * (away / _STRUT_SHADOW_MM) ** 2)
        found.append(Reflector(angle, distance, 1.0, shadow))
    return found
