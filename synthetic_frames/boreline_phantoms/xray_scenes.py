"""The catalogue of X-ray scenes: easy, middle and hard, each in as many variants as there are seeds.

Methods are tuned on `TUNING_SEEDS` and others below 101; figures are reported on `REPORTING_SEEDS`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from boreline_phantoms.xray import Body, Film, Hand, Vessel3D, View, XrayScene

LEVELS = ("easy", "middle", "hard")
TUNING_SEEDS = tuple(range(1, 5))
REPORTING_SEEDS = tuple(range(101, 115))
_CINE_BEFORE_S = 45.0


def xray_scene(level: str, seed: int = 1, *, seconds: float = 30.0, biplane: bool = False) -> XrayScene:
    """One scene: the level sets noise, motion and the hand, the seed sets the vessel and all that is random.

    Parameters
    ----------
    level
        One of `LEVELS`.
    seconds
        Length of the IVUS run and of the fluoroscopy.
    biplane
        Add a second cine view, 50 to 70 degrees away.

    Raises
    ------
    ValueError
        No such level.
    """
    if level not in LEVELS:
        raise ValueError(f"{level!r} is none of {LEVELS}")
    rng = np.random.default_rng((seed, 5, LEVELS.index(level)))
    hard = LEVELS.index(level)
    view = View(
        primary_deg=float(np.round(rng.uniform(-15, 10), 1)),
        secondary_deg=float(np.round(rng.uniform(28, 38), 1)),
    )
    vessel = Vessel3D(
        bend_deg=(20.0, 28.0, 36.0)[hard] * rng.uniform(0.8, 1.2),
        wiggle_deg=(6.0, 10.0, 14.0)[hard] * rng.uniform(0.8, 1.2),
        branches=(
            (rng.uniform(18, 26), rng.uniform(28, 40), rng.uniform(35, 60)),
            (rng.uniform(40, 60), rng.uniform(20, 30), -rng.uniform(35, 60)),
        )[: 1 + (hard > 0)],
        seed=seed,
    )
    body = Body(
        heart_mm=(2.5, 4.5, 6.5)[hard] * rng.uniform(0.9, 1.1),
        breath_mm=(0.0, 1.5, 4.0)[hard] * rng.uniform(0.8, 1.2),
        breath_s=rng.uniform(3.6, 4.8),
        slide_mm=(0.2, 0.5, 1.0)[hard],
        beat_s=rng.uniform(0.75, 0.95),
        irregularity=(0.02, 0.04, 0.08)[hard],
        seed=seed,
    )
    pull_s = seconds - 4.0
    legs = {
        "easy": ((pull_s, 1.1 * pull_s),),
        "middle": ((0.35 * pull_s, 0.4 * pull_s), (0.1 * pull_s, 0.0), (0.5 * pull_s, 0.65 * pull_s)),
        "hard": (
            (0.25 * pull_s, 0.3 * pull_s),
            (0.08 * pull_s, 0.0),
            (0.27 * pull_s, 0.45 * pull_s),
            (0.07 * pull_s, -0.1 * pull_s),
            (0.06 * pull_s, 0.0),
            (0.22 * pull_s, 0.4 * pull_s),
        ),
    }[level]
    hand = Hand(
        start_mm=sum(leg[1] for leg in legs) - rng.uniform(3.0, 4.5),
        rest_s=1.5,
        legs=legs,
        unsteadiness=(0.15, 0.25, 0.35)[hard],
        seed=seed,
    )
    rate_hz = (30.0, 15.0, 15.0)[hard]
    fluoro = Film(view, 0.4, rate_hz, round((seconds - 0.4) * rate_hz), photons=(500.0, 250.0, 130.0)[hard])
    cine = Film(
        view,
        -_CINE_BEFORE_S,
        15.0,
        60,
        photons=(2500.0, 1600.0, 1000.0)[hard],
        contrast_s=0.6,
        fill_mm_s=rng.uniform(70, 110),
        shift_mm=(0.0, 0.5, 1.5)[hard] * rng.uniform(-1, 1),
    )
    lost = rng.integers(0, max(fluoro.n_frames - 40, 1), 3)
    return XrayScene(
        name=f"xray-{level}",
        description={
            "easy": "X-ray with a steady pull, little motion, breath held",
            "middle": "X-ray with a stop, a beating heart and shallow breath",
            "hard": "X-ray with stops and a reversal, much motion, deep breath, noise, the marker lost at times",
        }[level],
        vessel=vessel,
        body=body,
        hand=hand,
        fluoro=replace(fluoro, r_waves=hard < 2),
        cine=cine,
        cine2=_second(cine, rng) if biplane else None,
        marker_density=(1.0, 0.8, 0.7)[hard],
        hidden=tuple((int(f), int(f) + 9) for f in lost[: (0, 1, 3)[hard]]),
        clips=(1, 3, 5)[hard],
        off_axis_mm=(0.0, 0.2, 0.4)[hard],
        ivus_frames=round(seconds * 30),
        seed=seed,
        tags=frozenset({"xray", level}),
    )


def with_branches(scene: XrayScene) -> XrayScene:
    """The scene with four side branches along the first 40 mm, as many landmarks as a coronary artery offers."""
    rng = np.random.default_rng((scene.seed, 6))
    mouths = np.array([8.0, 17.0, 26.0, 35.0]) + rng.uniform(-2.5, 2.5, 4)
    branches = tuple(
        (float(mouth), float(rng.uniform(18, 38)), float(side * rng.uniform(35, 70)))
        for mouth, side in zip(mouths, rng.choice([-1, 1], 4), strict=True)
    )
    return replace(scene, vessel=replace(scene.vessel, branches=branches))


def _second(cine: Film, rng: np.random.Generator) -> Film:
    away = float(np.round(rng.uniform(50, 70), 1))
    view = replace(cine.view, primary_deg=cine.view.primary_deg + away)
    return replace(cine, view=view, start_s=cine.start_s + 15.0)
