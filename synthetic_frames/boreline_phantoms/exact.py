"""Circles and ellipses of known area: the ruler that every contour is held against.

The picture is as plain as a picture can be: dark inside, bright outside, the edge blurred by one pixel, light noise.
Area and diameters are those of the formula.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass

import numpy as np
from scipy.special import erf

from boreline.flags import Flag
from boreline.model import Contours, FloatArray, GreyImage, JsonValue, PullbackKind, Sectors, Structure
from boreline_phantoms.records import Scene, Truth

N_VERTICES = 256


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse: its diameters, the direction of the long one, and its centre from the catheter's axis."""

    long_mm: float
    short_mm: float
    direction_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Area by the formula."""
        return float(np.pi * self.long_mm * self.short_mm / 4)

    def points(self, n: int = N_VERTICES) -> FloatArray:
        """Shape (n, 2), mm from the catheter's axis, at equal steps of the eccentric angle."""
        t = np.arange(n) * (2 * np.pi / n)
        c, s = np.cos(np.deg2rad(self.direction_deg)), np.sin(np.deg2rad(self.direction_deg))
        a, b = self.long_mm / 2 * np.cos(t), self.short_mm / 2 * np.sin(t)
        return np.stack([self.x_mm + c * a - s * b, self.y_mm + s * a + c * b], axis=-1)

    def signed_distance_px(self, x_mm: FloatArray, y_mm: FloatArray, mm_per_px: FloatArray) -> FloatArray:
        """Distance to the edge in pixels, first order, negative inside; pixels may be oblong."""
        c, s = np.cos(np.deg2rad(self.direction_deg)), np.sin(np.deg2rad(self.direction_deg))
        dx, dy = x_mm - self.x_mm, y_mm - self.y_mm
        a, b = self.long_mm / 2, self.short_mm / 2
        u, v = (c * dx + s * dy) / a, (c * dy - s * dx) / b
        level = np.hypot(u, v)
        slope_x = (c * u / a - s * v / b) / np.maximum(level, 1e-9) * mm_per_px[0]
        slope_y = (s * u / a + c * v / b) / np.maximum(level, 1e-9) * mm_per_px[1]
        distance: FloatArray = (level - 1.0) / np.maximum(np.hypot(slope_x, slope_y), 1e-12)
        return distance


@dataclass(frozen=True, slots=True)
class ExactShapes:
    """Ellipses in equal stretches of the run, one after the other.

    Attributes
    ----------
    steps
        One ellipse per stretch.
    inside, outside, noise_sd, blur_px
        Grey levels, standard deviation of the noise, and standard deviation of the edge's blur.
    """

    steps: tuple[Ellipse, ...]
    inside: float = 30.0
    outside: float = 150.0
    noise_sd: float = 4.0
    blur_px: float = 1.0

    def step_of(self, n_frames: int) -> list[Ellipse]:
        """The ellipse of each frame."""
        return [self.steps[number * len(self.steps) // n_frames] for number in range(n_frames)]

    def truth(self, scene: Scene) -> Truth:
        """Areas and diameters by the formula; the EEM and the stent are not there."""
        shapes = self.step_of(scene.n_frames)
        motor_mm = scene.motor_mm()
        known = scene.acquisition.kind in (PullbackKind.MOTOR, PullbackKind.GATED)
        first, last = scene.moving()
        polygons = [scene.picture.to_px(shape.points()) for shape in shapes]
        return Truth(
            columns={
                "time_s": scene.times_s(),
                "position_mm": motor_mm if known else np.full(scene.n_frames, np.nan),
                "lumen_area_mm2": np.array([shape.area_mm2 for shape in shapes]),
                "lumen_min_diameter_mm": np.array([shape.short_mm for shape in shapes]),
                "lumen_max_diameter_mm": np.array([shape.long_mm for shape in shapes]),
            },
            contours={Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, polygons)},
            sectors=Sectors.empty(),
            flags=tuple(still_flags(number, first, last) for number in range(scene.n_frames)),
        )

    def frames(self, scene: Scene, start: int, stop: int) -> Iterator[GreyImage]:
        """Draw frames [start, stop)."""
        picture = scene.picture
        axes = [
            (np.arange(count) - centre) * step
            for count, centre, step in zip(
                (picture.columns, picture.rows), picture.centre_px, picture.mm_per_px, strict=True
            )
        ]
        x_mm, y_mm = np.meshgrid(*axes)
        shapes = self.step_of(scene.n_frames)
        drawn, clean = None, np.empty(0)
        for number in range(start, stop):
            if shapes[number] != drawn:
                drawn = shapes[number]
                distance = drawn.signed_distance_px(x_mm, y_mm, picture.mm_per_px)
                share = (1 + erf(distance / (np.sqrt(2) * self.blur_px))) / 2
                clean = self.inside + (self.outside - self.inside) * share
            noise = scene.random(1, number).normal(0, self.noise_sd, clean.shape)
            yield np.clip(np.rint(clean + noise), 0, 255).astype(np.uint8)

    def films(self, scene: Scene) -> None:
        """No X-ray."""

    def describe(self, scene: Scene) -> Mapping[str, JsonValue]:
        """Every ellipse and grey level."""
        return asdict(self)


def still_flags(number: int, first: int, last: int) -> frozenset[Flag]:
    """Flags of frame `number` when the motor moves from frame `first` to `last`."""
    if number < first:
        return frozenset({Flag.BEFORE_PULLBACK})
    return frozenset({Flag.AFTER_PULLBACK}) if number > last else frozenset()
