"""What each ray from the catheter meets: layers, calcium, branches and veins of one frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, Borders, VesselPlan
from boreline_phantoms.curves import radii_about
from boreline_phantoms.physics import Physics
from boreline_phantoms.view import DIRECTIONS, border_points, calcium_front, project, runs_of

GUIDE_MM = 0.9
"""Inner radius of the guide catheter: a lumen of 1.8 mm."""
_AORTA_CENTRE_MM, _AORTA_MM = (-7.0, 3.0), 9.0


@dataclass(frozen=True, slots=True)
class Rays:
    """What the kernel needs to know at each angle about the catheter; all of shape (N_ANGLES,) but `circles`."""

    lumen: FloatArray
    intima: FloatArray
    media: FloatArray
    eem: FloatArray
    pocket: FloatArray
    plaque_db: FloatArray
    plaque_loss: FloatArray
    calcium: FloatArray
    calcium_db: FloatArray
    echo_db: FloatArray
    circles: FloatArray
    levels: FloatArray


def vessel_rays(
    plan: VesselPlan,
    physics: Physics,
    mhz: float,
    section: Borders,
    row: int,
    z: float,
    matrix: FloatArray,
    origin: FloatArray,
    around: FloatArray,
) -> Rays:
    """Rays of a frame inside the vessel; `row` is the frame's place in `section`, `z` its place along the vessel."""

    def about(radii: FloatArray) -> FloatArray:
        return radii_about(project(border_points(radii), matrix, origin), np.zeros(2), ANGLES_RAD)

    lumen, eem = about(section.lumen[row]), about(section.eem[row])
    media = np.maximum(about(section.media[row]), lumen + 0.03)
    eem = np.maximum(eem, media + 0.03)
    middle = project(border_points((section.lumen[row] + section.eem[row]) / 2), matrix, origin)
    own_angle = np.arctan2(middle[:, 1], middle[:, 0])
    order = np.argsort(own_angle)

    def per_ray(values: FloatArray) -> FloatArray:
        return np.interp(ANGLES_RAD, own_angle[order], values[order], period=2 * np.pi)

    soft, dark = per_ray(section.soft[row]), per_ray(section.attenuating[row])
    blood_db = physics.blood_db(mhz)
    scale = mhz / 40.0
    plaque_db = (1 - soft) * physics.fibrous_db + soft * (blood_db + physics.soft_db)
    loss = scale * (physics.tissue_db_mm + dark * physics.attenuating_db_mm)
    vessel_angle = _vessel_angle(own_angle, order)
    grain = np.sin(9 * vessel_angle + 4 * z) + np.sin(17 * vessel_angle - 3 * z) + np.sin(5 * vessel_angle + 7 * z)
    flap = section.flap[row]
    intima = np.minimum(lumen + plan.intima_mm * (1 + 0.3 * np.sin(3 * vessel_angle + z)), media)
    return Rays(
        lumen,
        intima,
        media,
        eem,
        per_ray(flap) if flap.any() else flap,
        plaque_db,
        loss,
        _fronts(section, row, matrix, origin),
        10.0 + 2.0 * grain,
        -13.0 + 5.0 * np.sin(4 * vessel_angle + 2 * z) + 3.0 * np.roll(grain, 13),
        _circles(section, row, matrix, origin, around),
        _levels(physics, mhz, blood_db, physics.intima_db, physics.media_db, physics.outside_db),
    )


def _levels(
    physics: Physics, mhz: float, blood_db: float, intima_db: float, media_db: float, outside_db: float
) -> FloatArray:
    """In the order that the kernel `paint` wants."""
    tissue = physics.tissue_db_mm * mhz / 40.0
    calcium_loss_db_mm, calcium_mm, adventitia_mm = 380.0, 0.2, 0.8
    fixed = [calcium_loss_db_mm, calcium_mm, physics.sheath_mm, adventitia_mm]
    return np.array([blood_db, intima_db, media_db, outside_db, tissue, *fixed])


def guide_rays(physics: Physics, mhz: float, origin: FloatArray) -> Rays:
    """Inside the guide catheter: a small round lumen with two bright faces, dark beyond."""
    return _tube(physics, mhz, -origin, GUIDE_MM, guide=True)


def aorta_rays(physics: Physics, mhz: float) -> Rays:
    """In the aorta: blood all around, a wall on one side."""
    return _tube(physics, mhz, np.array(_AORTA_CENTRE_MM), _AORTA_MM, guide=False)


def _tube(physics: Physics, mhz: float, centre_mm: FloatArray, radius_mm: float, *, guide: bool) -> Rays:
    none, far = np.zeros(N_ANGLES), np.full(N_ANGLES, np.inf)
    lumen = radii_about(centre_mm + radius_mm * DIRECTIONS, np.zeros(2), ANGLES_RAD)
    blood_db = physics.blood_db(mhz)
    levels = _levels(physics, mhz, blood_db, *((7.0, 3.0, -22.0) if guide else (-4.0, -14.0, -12.0)))
    thick = (0.06, 0.15, 0.21) if guide else (0.2, 1.0, 1.3)
    return Rays(
        lumen,
        lumen + thick[0],
        lumen + thick[1],
        lumen + thick[2],
        none,
        np.full(N_ANGLES, -16.0 if guide else -6.0),
        np.full(N_ANGLES, 60.0 if guide else 2.0),
        far,
        none,
        none,
        np.zeros((0, 4)),
        levels,
    )


def _circles(section: Borders, row: int, matrix: FloatArray, origin: FloatArray, around: FloatArray) -> FloatArray:
    rows = [(*project(around[:, :2], matrix, origin).T, around[:, 2], around[:, 3])]
    branch = section.branch[:, row]
    rows.append((*project(branch[:, :2], matrix, origin).T, branch[:, 2], np.full(len(branch), 0.35)))
    return np.concatenate([np.stack(part, axis=-1) for part in rows])


def _vessel_angle(own_angle: FloatArray, order: npt.NDArray[np.int64]) -> FloatArray:
    """Angle about the vessel's axis that each ray meets, unwrapped so that it can be interpolated."""
    unwrapped = own_angle[order]
    vessel = np.unwrap(ANGLES_RAD[order])
    padded_own = np.concatenate([unwrapped - 2 * np.pi, unwrapped, unwrapped + 2 * np.pi])
    padded = np.concatenate([vessel - 2 * np.pi, vessel, vessel + 2 * np.pi])
    met: FloatArray = np.interp(ANGLES_RAD, padded_own, padded)
    return met


def _fronts(section: Borders, row: int, matrix: FloatArray, origin: FloatArray) -> FloatArray:
    """Range of the calcium's front at each ray, infinite where there is none."""
    nearest = calcium_front(section, row)
    fronts = np.full(N_ANGLES, np.inf)
    for run in runs_of(np.isfinite(nearest)):
        seen = project(nearest[run, None] * DIRECTIONS[run], matrix, origin)
        angle, distance = np.unwrap(np.arctan2(seen[:, 1], seen[:, 0])), np.hypot(seen[:, 0], seen[:, 1])
        for turn in (-2 * np.pi, 0.0, 2 * np.pi, 4 * np.pi):
            inside = (ANGLES_RAD + turn >= angle[0]) & (ANGLES_RAD + turn <= angle[-1])
            fronts[inside] = np.minimum(fronts[inside], np.interp(ANGLES_RAD[inside] + turn, angle, distance))
    return fronts


_BAND_MM = 0.22


def surroundings(plan: VesselPlan, random: np.random.Generator) -> FloatArray:
    """Circles outside the vessel, as rows of x, y, radius and wall for the kernel `paint`; vessel's millimetres."""
    angle = random.uniform(0, 2 * np.pi, plan.veins)
    radius = random.uniform(0.3, 0.8, plan.veins)
    distance = plan.eem_mm / 2 * 1.12 + 0.35 + radius + random.uniform(0, 0.4, plan.veins)
    veins = np.stack([distance * np.cos(angle), distance * np.sin(angle), radius, np.zeros(plan.veins)], axis=-1)
    if not plan.pericardium:
        return veins
    # A circle much larger than the vessel, whose far side passes close outside the EEM.
    towards, large = random.uniform(0, 2 * np.pi), 1.6 * plan.eem_mm
    away = plan.eem_mm / 2 + 0.75 - large
    band = [away * np.cos(towards), away * np.sin(towards), large, -_BAND_MM]
    return np.concatenate([veins, [band]])
