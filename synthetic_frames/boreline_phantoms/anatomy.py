"""The vessel: smooth borders along a centreline, in its own coordinates.

Borders are radii about the vessel's axis at `N_ANGLES` equal angles; z grows from distal to proximal. The plan names
places as fractions of the imaged length, so that one plan serves short and long runs; sizes are millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from boreline.model import FloatArray
from boreline_phantoms.smooth import angle_between, bump, plateau, wander

N_ANGLES = 512
ANGLES_RAD: FloatArray = np.arange(N_ANGLES, dtype=np.float64) * (2 * np.pi / N_ANGLES)
SMALLEST_LUMEN_MM = 0.66
"""Smallest lumen radius: the catheter has to pass."""
STRUT_MM = 0.09


class Tissue(StrEnum):
    """What a plaque is made of."""

    FIBROUS = "fibrous"
    SOFT = "soft"
    ATTENUATED = "attenuated"


@dataclass(frozen=True, slots=True)
class Lesion:
    """A plaque. `burden` is the share of the EEM area it takes; `remodelling` multiplies the EEM radius."""

    at: float = 0.5
    length_mm: float = 12.0
    burden: float = 0.6
    eccentricity: float = 0.5
    direction_deg: float = 40.0
    remodelling: float = 1.0
    tissue: Tissue = Tissue.FIBROUS


@dataclass(frozen=True, slots=True)
class Calcium:
    """A calcium deposit; `depth` is the place of its front in the plaque, 0 at the lumen and 1 at the media."""

    at: float = 0.5
    length_mm: float = 4.0
    direction_deg: float = 200.0
    arc_deg: float = 100.0
    depth: float = 0.1


@dataclass(frozen=True, slots=True)
class Branch:
    """A side branch that joins at `at`; `spread` is how far its axis leaves per mm of vessel, going distally."""

    at: float = 0.5
    direction_deg: float = 300.0
    diameter_mm: float = 2.0
    spread: float = 0.8


@dataclass(frozen=True, slots=True)
class Stent:
    """A stent between two fractions of the length.

    Attributes
    ----------
    waist
        Share by which the diameter falls in the middle (under-expansion).
    gap_mm, gap_direction_deg, gap_arc_deg, gap_at, gap_length_mm
        Malapposition: the wall stands off by up to `gap_mm`; 0 = none.
    dissection_mm
        Depth of the pocket behind the flap at the proximal edge; 0 = none.
    """

    start: float = 0.25
    stop: float = 0.75
    diameter_mm: float = 3.2
    struts: int = 11
    waist: float = 0.0
    gap_mm: float = 0.0
    gap_direction_deg: float = 120.0
    gap_arc_deg: float = 110.0
    gap_at: float = 0.35
    gap_length_mm: float = 3.0
    dissection_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class VesselPlan:
    """A vessel.

    Attributes
    ----------
    eem_mm, taper
        EEM diameter in the middle, and its growth per mm towards proximal.
    plaque_mm, media_mm, intima_mm
        Thickness of the diffuse plaque, the media and the bright first echo.
    roundness_sd
        Relative standard deviation of the EEM's second harmonic.
    rough_mm
        Standard deviation of the lumen's small waves.
    veins
        Dark round structures outside the vessel.
    pericardium
        A dark band with a bright far side runs outside the vessel.
    guide, aorta, blank
        Shares of the run, at its proximal end: inside the guide catheter, in the aorta, without a picture.
    """

    eem_mm: float = 4.0
    taper: float = 0.015
    plaque_mm: float = 0.25
    media_mm: float = 0.16
    intima_mm: float = 0.1
    roundness_sd: float = 0.025
    rough_mm: float = 0.02
    lesions: tuple[Lesion, ...] = ()
    calcium: tuple[Calcium, ...] = ()
    branches: tuple[Branch, ...] = ()
    stent: Stent | None = None
    veins: int = 1
    pericardium: bool = False
    guide: float = 0.0
    aorta: float = 0.0
    blank: float = 0.0


@dataclass(frozen=True, slots=True)
class Borders:
    """Radii about the vessel's axis, each of shape (n, N_ANGLES); NaN stent radii outside the stent.

    `flap` is the depth of the blood pocket behind a dissection flap. `calcium` holds, per deposit, the radius of its
    front, infinite where there is none. `soft` and `attenuating` are shares of the plaque, 0..1. `branch` has shape
    (n_branches, n, 3): centre x, y and radius.
    """

    lumen: FloatArray
    media: FloatArray
    eem: FloatArray
    stent: FloatArray
    flap: FloatArray
    calcium: FloatArray
    soft: FloatArray
    attenuating: FloatArray
    branch: FloatArray


def borders(plan: VesselPlan, z_mm: FloatArray, span_mm: float, seed: int) -> Borders:
    """The vessel at `z_mm`, shape (n,); `span_mm` is the imaged length of vessel."""
    random = np.random.default_rng((seed, 11))
    theta = ANGLES_RAD
    z = np.asarray(z_mm, dtype=np.float64)
    radius = plan.eem_mm / 2 + plan.taper / 2 * (z - span_mm / 2)
    radius = radius * (1 + wander(random, scale=5.0, sd=0.02)(z))
    for lesion in plan.lesions:
        radius = radius * (1 + (lesion.remodelling - 1) * bump(z, lesion.at * span_mm, 1.4 * lesion.length_mm))
    shape = np.zeros((len(z), N_ANGLES))
    for order, sd in ((2, plan.roundness_sd), (3, plan.roundness_sd / 2.5), (4, plan.roundness_sd / 5)):
        for wave in (np.cos(order * theta), np.sin(order * theta)):
            shape += wander(random, scale=4.0, sd=sd)(z)[:, None] * wave
    eem = radius[:, None] * (1 + shape)

    wall, soft, attenuating = _plaque(plan, z, span_mm, radius, random)
    media = plan.media_mm * (1 + wander(random, scale=3.0, sd=0.12)(z)[:, None] * np.cos(theta - 1.0))
    rough = np.zeros_like(shape)
    for order in range(3, 8):
        for wave in (np.cos(order * theta), np.sin(order * theta)):
            rough += wander(random, scale=1.5, sd=plan.rough_mm / np.sqrt(5))(z)[:, None] * wave
    thick = wall * (1 + wander(random, scale=3.0, sd=0.1)(z)[:, None] * np.sin(theta)) + rough
    least = 0.6 * plan.intima_mm
    wall = media + least + _soft_positive(thick - least, 0.03)
    lumen = SMALLEST_LUMEN_MM + _soft_positive(eem - wall - SMALLEST_LUMEN_MM, 0.08)
    eem = np.maximum(eem, lumen + media + least)
    stent = np.full_like(eem, np.nan)
    flap = np.zeros_like(eem)
    if plan.stent is not None:
        lumen, eem, stent, flap = _implant(plan.stent, lumen, eem, media, z, span_mm, random)
    inner_media = eem - media
    return Borders(
        lumen,
        inner_media,
        eem,
        stent,
        flap,
        _calcium(plan, lumen, inner_media, z, span_mm),
        soft,
        attenuating,
        _branches(plan, lumen, z, span_mm),
    )


def _soft_positive(x: FloatArray, softness: float) -> FloatArray:
    value: FloatArray = softness * np.logaddexp(0, x / softness)
    return value


def _plaque(
    plan: VesselPlan, z: FloatArray, span_mm: float, radius: FloatArray, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Plaque thickness, and how far it is soft and attenuating; shapes (n, N_ANGLES)."""
    drift = wander(random, scale=10.0, sd=1.2)(z)
    lean = 0.5 + 0.3 * np.tanh(wander(random, scale=6.0, sd=1.0)(z))
    diffuse = plan.plaque_mm * (1 + 0.35 * np.tanh(wander(random, scale=5.0, sd=1.0)(z)))
    thick = diffuse[:, None] * (1 + lean[:, None] * np.cos(ANGLES_RAD - drift[:, None]))
    soft = np.zeros_like(thick)
    attenuating = np.zeros_like(thick)
    for lesion in plan.lesions:
        share = bump(z, lesion.at * span_mm, lesion.length_mm)
        mean = radius * (1 - np.sqrt(1 - lesion.burden))
        direction = np.deg2rad(lesion.direction_deg) + 0.3 * wander(random, scale=6.0, sd=1.0)(z)
        lobe = (0.5 + 0.5 * np.cos(ANGLES_RAD - direction[:, None])) ** 1.5
        profile = 1 - lesion.eccentricity + lesion.eccentricity * lobe / np.mean(lobe, axis=1, keepdims=True)
        add = np.clip(mean - diffuse, 0, None) * share
        thick = thick + add[:, None] * profile
        core = share[:, None] * np.clip(1.6 * lobe, 0, 1)
        if lesion.tissue is Tissue.SOFT:
            soft = np.maximum(soft, np.clip(3 * core, 0, 1))
        if lesion.tissue is Tissue.ATTENUATED:
            attenuating = np.maximum(attenuating, np.clip(2 * core - 0.3, 0, 1))
    return thick, soft, attenuating


def _implant(
    stent: Stent,
    lumen: FloatArray,
    eem: FloatArray,
    media: FloatArray,
    z: FloatArray,
    span_mm: float,
    random: np.random.Generator,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    start, stop = stent.start * span_mm, stent.stop * span_mm
    middle = (start + stop) / 2
    radius = stent.diameter_mm / 2 * (1 - stent.waist * bump(z, middle, 0.7 * (stop - start)))
    oval = wander(random, scale=5.0, sd=0.02)(z)[:, None] * np.cos(2 * ANGLES_RAD)
    oval = oval + wander(random, scale=5.0, sd=0.02)(z)[:, None] * np.sin(2 * ANGLES_RAD)
    curve = radius[:, None] * (1 + oval)
    ripple = 0.03 + 0.02 * np.tanh(wander(random, scale=2.0, sd=1.0)(z))[:, None] * np.cos(4 * ANGLES_RAD)
    away = angle_between(ANGLES_RAD, np.deg2rad(stent.gap_direction_deg))
    window = bump(away, 0.0, np.deg2rad(stent.gap_arc_deg))
    gap = stent.gap_mm * bump(z, stent.gap_at * span_mm, stent.gap_length_mm)[:, None] * window
    share = plateau(z, start, stop, 1.0)[:, None]
    lumen = lumen * (1 - share) + (curve + ripple + gap) * share
    # The wall is pushed outwards, never thinner than media and a little plaque.
    eem = lumen + media + 0.12 + _soft_positive(eem - lumen - media - 0.12, 0.05)
    inside = (z >= start) & (z <= stop)
    curve = np.where(inside[:, None], curve, np.nan)
    arc = bump(angle_between(ANGLES_RAD, np.deg2rad(stent.gap_direction_deg + 150)), 0.0, np.deg2rad(100))
    depth = stent.dissection_mm * bump(z, stop + 1.3, 3.0)[:, None] * np.sqrt(arc)
    room = np.clip(eem - media - lumen - 0.2, 0, None)
    return lumen, eem, curve, np.minimum(depth, room)


def _calcium(plan: VesselPlan, lumen: FloatArray, media: FloatArray, z: FloatArray, span_mm: float) -> FloatArray:
    fronts = np.full((len(plan.calcium), *lumen.shape), np.inf)
    for front, deposit in zip(fronts, plan.calcium, strict=True):
        arc = np.deg2rad(deposit.arc_deg) * np.sqrt(bump(z, deposit.at * span_mm, deposit.length_mm))
        away = np.abs(angle_between(ANGLES_RAD, np.deg2rad(deposit.direction_deg)))
        inside = away[None, :] <= arc[:, None] / 2
        front[:] = np.where(inside, lumen + 0.02 + deposit.depth * np.clip(media - lumen - 0.02, 0, None), np.inf)
    return fronts


def _branches(plan: VesselPlan, lumen: FloatArray, z: FloatArray, span_mm: float) -> FloatArray:
    circles = np.zeros((len(plan.branches), len(z), 3))
    for circle, branch in zip(circles, plan.branches, strict=True):
        direction = np.deg2rad(branch.direction_deg)
        edge = lumen[:, round(direction / (2 * np.pi) * N_ANGLES) % N_ANGLES]
        reach = edge + (branch.at * span_mm - z) * branch.spread
        circle[:, 0] = reach * np.cos(direction)
        circle[:, 1] = reach * np.sin(direction)
        circle[:, 2] = branch.diameter_mm / 2
    return circles
