"""Per-frame pictures that the borders are found in: smoothed grey, and how much speckle a frame shares with the last.

All have `N_RAYS` rays (every second ray of the polar block) and all depths, uint8, so that look-up tables turn them
into likelihoods.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.segmentation.polar import N_ANGLES

STRIDE = 2
N_RAYS = N_ANGLES // STRIDE
_PAD = 8  # rays repeated on both sides, so that filters go round
_SHIFTS = ((-2, 0), (2, 0), (0, -1), (0, 1))  # samples in depth, rays; beside none
_HIGH_PASS = (9, 5)  # samples, rays
_WINDOW = (9, 9)
_TO_LEVELS = 0.25  # products of half levels, in squared levels
_FLOOR = 2.0  # grey levels: weaker patterns are noise of the digits
_TISSUE_MM = (1.0, 3.5)
_LARGEST_STRETCH = 4.0
_EDGE = 2  # the largest shift

NOTHING_SHARED = 128
"""Level of shared speckle without correlation; 255 is all."""

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]


def wrapped(picture: npt.NDArray[np.generic], pad: int = _PAD) -> npt.NDArray[np.generic]:
    """The picture with `pad` rays repeated on both sides."""
    return np.concatenate([picture[-pad:], picture, picture[:pad]])


def smooth_grey(polar: Bytes) -> Bytes:
    """Mean over a few rays and samples, on every second ray: (N_RAYS, n_samples)."""
    padded = wrapped(polar)
    smooth: Bytes = cv2.GaussianBlur(padded, (5, 7), 1.2, sigmaY=1.6)[_PAD : _PAD + N_ANGLES : STRIDE]
    return np.ascontiguousarray(smooth)


@dataclass(frozen=True, slots=True)
class Speckle:
    """High-passed speckle of one frame, and its local energy, with `_PAD` rays and `_EDGE` samples added all around."""

    high: npt.NDArray[np.int16]
    strength: Floats

    @classmethod
    def of(cls, polar: Bytes) -> Speckle:
        """The speckle of one polar picture.

        Without the high-pass the step of brightness at the wall, which moves with the wall, is what correlates most.
        Whole numbers of half a grey level are fine enough, and filtered faster.
        """
        twice = cv2.add(polar[::STRIDE], polar[1::STRIDE], dtype=cv2.CV_16S)
        padded = cv2.copyMakeBorder(wrapped(twice), 0, 0, _EDGE, _EDGE, cv2.BORDER_REPLICATE)
        high = cv2.subtract(padded, cv2.blur(padded, _HIGH_PASS))
        power = cv2.blur(cv2.multiply(high, high, scale=_TO_LEVELS), _WINDOW)
        strength = cv2.sqrt(power.astype(np.float32))
        return cls(high, cv2.add(strength, _FLOOR))

    def shared_with(self, other: Speckle) -> Bytes:
        """Local correlation with another frame, best of a few shifts: (N_RAYS, n_samples), 128 = none, 255 = one."""
        here = _inner(self.high)
        best = cv2.blur(cv2.multiply(here, _inner(other.high), scale=_TO_LEVELS), _WINDOW)
        product = np.empty_like(best)
        for depth, ray in _SHIFTS:
            cv2.multiply(here, _inner(other.high, depth, ray), dst=product, scale=_TO_LEVELS)
            cv2.blur(product, _WINDOW, dst=product)
            cv2.max(best, product, dst=best)
        # A shift moves the local strength of the other frame next to nothing.
        both = cv2.multiply(_inner(self.strength), _inner(other.strength))
        correlation = cv2.divide(best.astype(np.float32), both)
        margin = _PAD - _EDGE
        shared: Bytes = cv2.convertScaleAbs(correlation, alpha=255.0 - NOTHING_SHARED, beta=NOTHING_SHARED)
        return np.ascontiguousarray(shared[margin : margin + N_RAYS])


def _inner(picture: npt.NDArray[Any], depth: int = 0, ray: int = 0) -> npt.NDArray[Any]:
    """The picture without its outer `_EDGE` rays and samples, looked at from a shift away."""
    rays, samples = picture.shape
    return picture[_EDGE - ray : rays - _EDGE - ray, _EDGE - depth : samples - _EDGE - depth]


@compiled
def middle(values: npt.NDArray[Any]) -> float:
    """Median; ten times as fast as numpy's on a few hundred values."""
    return float(np.median(values))


def mean_of(a: Bytes, b: Bytes) -> Bytes:
    """Mean of two byte pictures."""
    mean: Bytes = cv2.addWeighted(a, 0.5, b, 0.5, 0)
    return mean


def thin_picture(polar: Bytes) -> Bytes:
    """Every second ray, lightly averaged over its neighbours, depth untouched: for the fine place of edges."""
    padded = wrapped(polar)
    smooth: Bytes = cv2.sepFilter2D(padded, cv2.CV_8U, np.ones(1), np.array([0.25, 0.5, 0.25]))
    return np.ascontiguousarray(smooth[_PAD : _PAD + N_ANGLES : STRIDE])


def usual_share(shared: Bytes, mm_per_sample: float) -> float:
    """Median shared speckle of one frame where most of it is tissue."""
    near, far = (min(int(mm / mm_per_sample), shared.shape[1]) for mm in _TISSUE_MM)
    return float(middle(shared[::4, near:far:2].ravel()))


def level_share(shared: Bytes, share: float, usual: float, null: float) -> tuple[Bytes, float]:
    """Shared speckle as it would be if tissue shared as much as `usual`, and the factor by which it was stretched.

    Where the heart moves the catheter fast, tissue too shares little with the next frame; what is left is stretched
    about the level `null` of pictures that share nothing.
    """
    factor = (usual - null) / max(share - null, 1.0)
    factor = min(max(factor, 1.0), _LARGEST_STRETCH)
    if factor < 1.02:
        return shared, 1.0
    levels = np.clip(null + (np.arange(256) - null) * factor, 0, 255).astype(np.uint8)
    stretched: Bytes = cv2.LUT(shared, levels)
    return stretched, factor
