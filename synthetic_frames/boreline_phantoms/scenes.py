"""The catalogue of named scenes."""

from __future__ import annotations

from functools import cache

from boreline.errors import InputRefused
from boreline_phantoms.exact import Ellipse, ExactShapes
from boreline_phantoms.filmed import filmed_scenes
from boreline_phantoms.named_vessels import vessel_scenes
from boreline_phantoms.random_scenes import PREFIX, random_scene
from boreline_phantoms.records import Picture, Scene

PUBLISHED_CYLINDERS_MM = (1.51, 2.03, 3.04, 4.04, 5.04)
"""Diameters of five cylinders that were measured with six IVUS systems at 37 C (Imura et al.)."""

PUBLISHED_PHANTOM_MM = 3.08
"""Diameter of the 7.45 mm2 phantom of Kubo JACC Cardiovasc Imaging 2013;6:1095-1104."""


def names() -> tuple[str, ...]:
    """Names of the catalogue, in order."""
    return tuple(catalogue())


def get(name: str) -> Scene:
    """The scene called `name`, or the random scene `random:SEED`.

    Raises
    ------
    InputRefused
        There is no such scene.
    """
    kind, _, seed = name.partition(":")
    if kind == PREFIX and seed.isdecimal() and int(seed) < 2**32:
        return random_scene(int(seed))
    if name in catalogue():
        return catalogue()[name]
    raise InputRefused(f"no scene {name!r}", tag="NAME", remedy="see 'boreline phantom list'")


@cache
def catalogue() -> dict[str, Scene]:
    """All named scenes."""
    return {scene.name: scene for scene in (*vessel_scenes(), *filmed_scenes(), *_exact_scenes())}


def circle(diameter_mm: float, *, off_centre: float = 0.0, mm_per_px: float = 0.02, aspect: float = 1.0) -> Scene:
    """A circle of known area.

    Parameters
    ----------
    diameter_mm
        Of the circle.
    off_centre
        Distance of its centre from the catheter's axis as a fraction of the radius.
    mm_per_px, aspect
        Width of a pixel; its height over its width. The field is 1.6 diameters wide and 6 mm at least.
    """
    return _exact(
        f"circle-{diameter_mm:g}",
        f"circle of {diameter_mm:g} mm, centre off by {100 * off_centre:g} % of the radius",
        (
            Ellipse(
                diameter_mm,
                diameter_mm,
                x_mm=0.6 * off_centre * diameter_mm / 2,
                y_mm=0.8 * off_centre * diameter_mm / 2,
            ),
        ),
        mm_per_px,
        aspect,
    )


def ellipse(
    long_mm: float,
    short_mm: float,
    direction_deg: float = 30.0,
    *,
    off_centre: float = 0.0,
    mm_per_px: float = 0.02,
    aspect: float = 1.0,
) -> Scene:
    """An ellipse of known area; `off_centre` is a fraction of its smaller radius."""
    shift = off_centre * short_mm / 2
    return _exact(
        f"ellipse-{long_mm:g}-{short_mm:g}",
        f"ellipse of {long_mm:g} x {short_mm:g} mm, centre off by {100 * off_centre:g} % of the smaller radius",
        (Ellipse(long_mm, short_mm, direction_deg, 0.6 * shift, 0.8 * shift),),
        mm_per_px,
        aspect,
    )


def _exact(name: str, description: str, steps: tuple[Ellipse, ...], mm_per_px: float, aspect: float) -> Scene:
    widest = max(step.long_mm for step in steps)
    size_px = round(max(6.0, 1.6 * widest) / mm_per_px)
    picture = Picture(size_px, size_px * mm_per_px, aspect)
    return Scene(name, description, frozenset({"exact"}), ExactShapes(steps), n_frames=24, picture=picture)


def _exact_scenes() -> list[Scene]:
    single = [
        circle(1.5, mm_per_px=0.012),
        circle(3.0, off_centre=0.35),
        circle(5.0, off_centre=0.2, aspect=1.3),
        ellipse(4.0, 3.0),
        ellipse(3.2, 2.0, 70.0, off_centre=0.3, aspect=1.3),
    ]
    cylinders = [
        _exact(
            f"cylinder-{diameter:.2f}",
            f"cylinder of {diameter:.2f} mm, a diameter published for an IVUS accuracy study",
            (Ellipse(diameter, diameter, x_mm=0.1, y_mm=-0.05),),
            0.015,
            1.0,
        )
        for diameter in (*PUBLISHED_CYLINDERS_MM, PUBLISHED_PHANTOM_MM)
    ]
    steps = tuple(Ellipse(d, d, x_mm=0.08, y_mm=0.06) for d in PUBLISHED_CYLINDERS_MM)
    tube = _exact("step-tube", "tube of five steps with the published cylinder diameters", steps, 0.015, 1.0)
    return [*single, *cylinders, tube.with_(frames=60)]
