"""Scenes drawn at random by seed, physics and geometry alike."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from typing import Any

import numpy as np

from boreline_phantoms.anatomy import Branch, Calcium, Lesion, Stent, Tissue, VesselPlan
from boreline_phantoms.motion import Motion
from boreline_phantoms.physics import Blood, Physics
from boreline_phantoms.records import Acquisition, Picture, Scene
from boreline_phantoms.vessel import VesselContent

PREFIX = "random"


class Level(StrEnum):
    """How hard a random scene may be."""

    TYPICAL = "typical"
    HARD = "hard"


def random_scene(seed: int, *, level: Level | None = None, frames: int = 120) -> Scene:
    """The random scene of `seed`; a level of its own unless one is given."""
    random = np.random.default_rng((seed, 77))
    drawn = Level.TYPICAL if random.random() < 0.5 else Level.HARD
    level = drawn if level is None else level
    hard = level is Level.HARD
    mhz = float(random.choice([20.0, 40.0, 40.0, 45.0, 60.0]))
    eem_mm = float(random.uniform(3.0, 5.2))
    spacing_mm = float(np.exp(random.uniform(np.log(0.01), np.log(0.3 if hard else 0.06))))
    rate_hz = float(random.choice([20.0, 30.0, 30.0, 60.0]))
    length_mm = frames * spacing_mm
    plan = replace(_plan(random, eem_mm, length_mm, hard=hard), **_surroundings(seed, hard=hard))
    return Scene(
        f"{PREFIX}:{seed}",
        f"drawn at random: {mhz:g} MHz, {spacing_mm:.3f} mm between frames",
        frozenset({PREFIX, level.value}),
        VesselContent(plan, _motion(random, hard=hard), _physics(random, mhz, hard=hard)),
        n_frames=frames,
        seed=seed,
        mhz=mhz,
        picture=Picture(512, float(max(random.uniform(8.5, 12.0), 1.5 * eem_mm))),
        acquisition=Acquisition(frame_rate_hz=rate_hz, speed_mm_s=round(max(spacing_mm * rate_hz, 0.1), 2)),
    )


def _plan(random: np.random.Generator, eem_mm: float, length_mm: float, *, hard: bool) -> VesselPlan:
    def lesion() -> Lesion:
        tissues = [Tissue.FIBROUS, Tissue.FIBROUS, Tissue.SOFT, Tissue.ATTENUATED] if hard else [Tissue.FIBROUS]
        return Lesion(
            at=float(random.uniform(0.2, 0.8)),
            length_mm=float(max(random.uniform(4, 18), length_mm / 2)),
            burden=float(random.uniform(0.35, 0.68)),
            eccentricity=float(random.uniform(0.1, 0.9)),
            direction_deg=float(random.uniform(0, 360)),
            remodelling=float(random.normal(1.0, 0.06)),
            tissue=Tissue(random.choice(tissues)),
        )

    calcium = tuple(
        Calcium(
            at=float(random.uniform(0.2, 0.8)),
            length_mm=float(max(random.uniform(2, 6), length_mm / 3)),
            direction_deg=float(random.uniform(0, 360)),
            arc_deg=float(random.uniform(20, 240 if hard else 80)),
            depth=float(random.choice([0.05, 0.1, 0.7])),
        )
        for _ in range(int(random.random() < (0.4 if hard else 0.2)))
    )
    branches = tuple(
        Branch(
            at=float(random.uniform(0.3, 0.9)),
            direction_deg=float(random.uniform(0, 360)),
            diameter_mm=float(random.uniform(1.0, 2.4)),
            spread=float(random.uniform(0.5, 1.3)),
        )
        for _ in range(int(hard and random.random() < 0.3))
    )
    stent = None
    if hard and random.random() < 0.2:
        stent = Stent(
            diameter_mm=float(random.uniform(0.72, 0.85) * eem_mm),
            waist=float(random.uniform(0, 0.25)),
            gap_mm=float(random.choice([0.0, random.uniform(0.2, 0.8)])),
        )
    return VesselPlan(
        eem_mm=eem_mm,
        taper=float(random.uniform(0, 0.05)),
        plaque_mm=float(random.uniform(0.12, 0.45)),
        media_mm=float(random.uniform(0.1, 0.28)),
        intima_mm=float(random.uniform(0.05, 0.14)),
        roundness_sd=float(random.uniform(0.01, 0.05)),
        rough_mm=float(random.uniform(0.005, 0.035)),
        lesions=tuple(lesion() for _ in range(int(random.random() < 0.75))),
        calcium=calcium,
        branches=branches,
        stent=stent,
        veins=int(random.integers(0, 4)),
    )


def _surroundings(seed: int, *, hard: bool) -> dict[str, Any]:
    """What lies about the vessel and at its end; a stream of its own."""
    random = np.random.default_rng((seed, 78))
    guided = hard and random.random() < 0.15
    return {
        "pericardium": bool(random.random() < 0.3),
        "guide": float(random.uniform(0.08, 0.25)) if guided else 0.0,
        "aorta": float(random.choice([0.0, 0.06])) if guided else 0.0,
    }


def _motion(random: np.random.Generator, *, hard: bool) -> Motion:
    return Motion(
        off_centre=float(random.uniform(0, 1.0 if hard else 0.6)),
        turn_deg_per_mm=float(random.normal(0, 4)),
        turn_sd_deg=float(random.uniform(1, 6)),
        heart_bpm=float(random.uniform(50, 100)),
        in_plane_mm=float(random.uniform(0, 0.2)),
        axial_mm=float(random.uniform(0, 0.8 if hard else 0.3)),
        pulsation=float(random.uniform(0, 0.025)),
        tilt_deg=float(random.uniform(0, 22 if hard else 10)),
        uneven_rotation=float(random.choice([0.0, random.uniform(0.1, 0.4)])) if hard else 0.0,
    )


def _physics(random: np.random.Generator, mhz: float, *, hard: bool) -> Physics:
    array = mhz < 30
    return Physics(
        blood=Blood(random.choice(list(Blood) if hard else [Blood.INDEPENDENT, Blood.INDEPENDENT, Blood.MOVING])),
        blood_offset_db=float(random.uniform(-4, 7 if hard else 2)),
        fibrous_db=float(random.uniform(-8, -3)),
        soft_db=float(random.uniform(-1, 6)),
        media_db=float(random.uniform(-30, -18)),
        intima_db=float(random.uniform(-8, -1)),
        outside_db=float(random.uniform(-16, -7)),
        variation_db=float(random.uniform(3, 6)),
        tissue_db_mm=float(random.uniform(2, 6)),
        attenuating_db_mm=float(random.uniform(15, 30)),
        noise_db=float(random.uniform(-60, -46)),
        gain_slope_db_mm=float(random.uniform(1.5, 4)),
        range_db=float(random.uniform(36, 60)),
        gamma=float(random.uniform(0.75, 1.5)),
        gain_db=float(random.uniform(-4, 4)),
        gain_drift_db=float(random.uniform(0.2, 2.5 if hard else 1.0)),
        ring_db=float(random.uniform(0, 9)),
        ring_mm=float(random.uniform(0.1, 0.35)),
        wire=not array and bool(random.random() < 0.85),
        side_lobe_db=float(random.uniform(-38, -26)),
        dropout_db=float(random.choice([0.0, random.uniform(6, 18)])) if hard else 0.0,
        sheath_mm=float(random.uniform(0.52, 0.58) if array else random.uniform(0.42, 0.54)),
    )
