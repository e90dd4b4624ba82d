"""What the picture says about a border: a strip of it along the border, edges in the strip, likeness to a pattern.

A strip has shape (N_RAYS, n): row k follows the ray at ``360 k / N_RAYS`` degrees about an apex, column i lies
``offsets[i]`` millimetres outside a curve given by one radius per ray. Everything is normalised by the strip's own
spread, so that neither gain nor compression of the picture matters.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from boreline.correction.border import TURN
from boreline.geometry.compiled import compiled
from boreline.model import FloatArray, GreyImage
from boreline.segmentation.surfaces import closed_path

N_RAYS = 128
ANGLES: FloatArray = TURN * np.arange(N_RAYS) / N_RAYS
RAYS: FloatArray = np.column_stack([np.cos(ANGLES), np.sin(ANGLES)])
STEP_MM = 0.02
"""Depth between samples of a strip."""
PATTERN_STEPS = 20
"""Half-width of a pattern: 0.4 mm, about the thickness of a wall (own choice)."""
EDGE_STEPS = 8
"""An edge is the rise between the means over 0.16 mm on either side (own choice)."""
_BLUR_RAYS = 2.5
_FLAT_LEVELS = 2.0
"""Grey levels below which a profile counts as flat: its likeness to anything tends to 0."""

Strip = npt.NDArray[np.float32]


def offsets(reach_steps: int) -> FloatArray:
    """Depths from -`reach_steps` to +`reach_steps`."""
    return STEP_MM * np.arange(-reach_steps, reach_steps + 1, dtype=np.float64)


def strip(grey: GreyImage, apex: FloatArray, radii: FloatArray, reach_steps: int, mm_per_px: FloatArray) -> Strip:
    """The picture along a curve, averaged over neighbouring rays laid on each other along it.

    Parameters
    ----------
    apex, radii
        In millimetres; `radii` has shape (N_RAYS,).
    """
    depth = radii[:, None] + offsets(reach_steps)[None, :]
    x, y = ((apex[axis] + depth * RAYS[:, axis, None]) / mm_per_px[axis] for axis in (0, 1))
    sampled = cv2.remap(
        grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return round_blur(sampled.astype(np.float32), _BLUR_RAYS)


def round_blur(values: Strip, sigma: float) -> Strip:
    """Gaussian mean round the circle of rays (first axis); `sigma` in rays."""
    reach = int(3 * sigma) + 1
    around = np.concatenate([values[-reach:], values, values[:reach]])
    kernel = cv2.getGaussianKernel(2 * reach + 1, sigma, cv2.CV_32F)
    out: Strip = cv2.sepFilter2D(around, cv2.CV_32F, np.ones((1, 1), np.float32), kernel)
    return out[reach:-reach]


def round_smooth(values: FloatArray, sigma: float) -> FloatArray:
    """`round_blur` of one value per ray."""
    return round_blur(values.astype(np.float32)[:, None], sigma)[:, 0].astype(np.float64)


@compiled
def edge_rise(picture: Strip, first: int, count: int) -> Strip:
    """Mean just outside minus mean just inside of `count` columns from `first` on, grey levels."""
    out = np.empty((picture.shape[0], count), dtype=np.float32)
    for ray in range(picture.shape[0]):
        for i in range(count):
            rise = np.float32(0.0)
            for k in range(EDGE_STEPS):
                rise += picture[ray, first + i + k] - picture[ray, first + i - 1 - k]
            out[ray, i] = rise / EDGE_STEPS
    return out


def spread_of(rise: Strip) -> float:
    """Robust standard deviation of the rises in one strip."""
    return float(1.4826 * np.median(np.abs(rise - np.median(rise)))) + 1.0


def edge_score(rise: Strip, spread: float) -> Strip:
    """-1 (falls) to 1 (rises), level off at a few spreads."""
    score: Strip = np.tanh(rise / np.float32(2.0 * spread))
    return score


def pattern_at(picture: Strip, column: int) -> Strip:
    """The profile of each ray about one column, shape (N_RAYS, 2 PATTERN_STEPS + 1)."""
    return picture[:, column - PATTERN_STEPS : column + PATTERN_STEPS + 1]


@compiled
def likeness(picture: Strip, patterns: Strip, first: int, count: int) -> Strip:
    """Correlation, -1 to 1, of each ray's profile about `count` columns from `first` on with that ray's pattern.

    `patterns` has shape (N_RAYS, 2 PATTERN_STEPS + 1).
    """
    width = patterns.shape[1]
    flat = width * _FLAT_LEVELS**2
    out = np.empty((picture.shape[0], count), dtype=np.float32)
    wanted = np.empty(width)
    for ray in range(picture.shape[0]):
        middle = 0.0
        for k in range(width):
            middle += patterns[ray, k]
        energy = flat
        for k in range(width):
            wanted[k] = patterns[ray, k] - middle / width
            energy += wanted[k] ** 2
        for i in range(count):
            product, total, squares = 0.0, 0.0, 0.0
            for k in range(width):
                value = np.float64(picture[ray, first + i - PATTERN_STEPS + k])
                product += wanted[k] * value
                total += value
                squares += value * value
            here = max(squares - total * total / width, 0.0) + flat
            out[ray, i] = product / np.sqrt(here * energy)
    return out


def warm_up() -> None:
    """Have the compiled loops ready before the first edit needs them."""
    blank = np.zeros((N_RAYS, 4 * PATTERN_STEPS), dtype=np.float32)
    edge_rise(blank, PATTERN_STEPS, 1)
    likeness(blank, np.ascontiguousarray(pattern_at(blank, 2 * PATTERN_STEPS)), PATTERN_STEPS, 1)
    likeness(blank, pattern_at(blank, 2 * PATTERN_STEPS), PATTERN_STEPS, 1)
    closed_path(blank, 2, 1.0)
