"""Which scenes may be looked at while a method is built, and which only report how good it is.

Nobody tunes on the reporting set: no threshold, weight or choice between variants may be made by looking at it. The
numbers are seeds; named scenes are drawn with each seed of their set, random scenes are named by it.
"""

from __future__ import annotations

from boreline_phantoms.named_vessels import HARD, TYPICAL, VERY_HARD, vessel_scenes
from boreline_phantoms.random_scenes import Level, random_scene
from boreline_phantoms.records import Scene

TUNING_SEEDS = (1, 2, 3)
REPORTING_SEEDS = (101, 102)
TUNING_RANDOM = tuple(range(1, 1000))
"""Random scenes 1 to 999 are for tuning."""
REPORTING_RANDOM = tuple(range(5001, 5041))
"""Random scenes 5001 to 5040 are for reporting."""
SPARE_RANDOM = tuple(range(9001, 9041))
"""Kept unseen, for the day on which the reporting set has been looked at too often."""


def named(tag: str, seed: int) -> list[Scene]:
    """Named vessel scenes that carry `tag`, drawn with `seed`."""
    return [scene.with_(seed=seed) for scene in vessel_scenes() if tag in scene.tags]


def tuning(*, frames: int | None = None, n_random: int = 20) -> list[Scene]:
    """Scenes to build a method on."""
    return _scenes(TUNING_SEEDS, TUNING_RANDOM[:n_random], frames)


def reporting(*, frames: int | None = None) -> list[Scene]:
    """Scenes to report on, never to tune on."""
    return _scenes(REPORTING_SEEDS, REPORTING_RANDOM, frames)


def difficulty(scene: Scene) -> str:
    """`typical`, `hard` or `very-hard`."""
    return next(tag for tag in (VERY_HARD, HARD, TYPICAL) if tag in scene.tags)


def _scenes(seeds: tuple[int, ...], random_seeds: tuple[int, ...], frames: int | None) -> list[Scene]:
    drawn = [scene.with_(seed=seed, frames=frames) for scene in vessel_scenes() for seed in seeds]
    for number, seed in enumerate(random_seeds):
        level = Level.TYPICAL if number % 2 == 0 else Level.HARD
        drawn.append(random_scene(seed, level=level, frames=120 if frames is None else frames))
    return drawn
