"""Smooth random functions of place or time, drawn once and evaluated anywhere."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from boreline.model import FloatArray

Curve = Callable[[FloatArray], FloatArray]


def wander(random: np.random.Generator, *, scale: float, sd: float, terms: int = 8) -> Curve:
    """A stationary, nearly normal function of standard deviation `sd` that turns over about `scale`."""
    wave = 2 * np.pi / (scale * random.uniform(1.5, 6.0, terms))
    phase = random.uniform(0, 2 * np.pi, terms)
    height = sd * np.sqrt(2 / terms)

    def value(x: FloatArray) -> FloatArray:
        summed: FloatArray = height * np.cos(np.multiply.outer(x, wave) + phase).sum(axis=-1)
        return summed

    return value


def bump(x: FloatArray, centre: float, length: float) -> FloatArray:
    """1 at `centre`, 0 beyond `length` / 2, smooth in value and slope."""
    u = np.clip(np.abs(x - centre) / (length / 2), 0, 1)
    return 0.5 + 0.5 * np.cos(np.pi * u)


def plateau(x: FloatArray, start: float, stop: float, ramp: float) -> FloatArray:
    """1 between `start` and `stop`, falling smoothly to 0 over `ramp` outside."""
    up = np.clip((x - (start - ramp)) / ramp, 0, 1)
    down = np.clip(((stop + ramp) - x) / ramp, 0, 1)
    edge = np.minimum(up, down)
    smooth: FloatArray = edge * edge * (3 - 2 * edge)
    return smooth


def angle_between(a_rad: FloatArray, b_rad: FloatArray | float) -> FloatArray:
    """Signed difference in (-pi, pi]."""
    difference: FloatArray = np.angle(np.exp(1j * (np.asarray(a_rad) - b_rad)))
    return difference
