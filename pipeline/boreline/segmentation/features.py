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
_SHIFTS = ((0, 0), (-2, 0), (2, 0), (0, -1), (0, 1))  # samples in depth, rays
_HIGH_PASS = (9, 5)  # samples, rays
_REACH = 4  # of the window in which speckle is compared, on either side
_WINDOW = (2 * _REACH + 1, 2 * _REACH + 1)
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
        best = _best_mean_product(self.high, other.high, _SHIFTS)
        # A shift moves the local strength of the other frame next to nothing.
        both = cv2.multiply(_inner(self.strength), _inner(other.strength))
        correlation = cv2.divide(best, both)
        shared: Bytes = cv2.convertScaleAbs(correlation, alpha=255.0 - NOTHING_SHARED, beta=NOTHING_SHARED)
        return shared


def _inner(picture: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The picture without the rays and samples added around it."""
    return picture[_PAD:-_PAD, _EDGE:-_EDGE]


@compiled
def _best_mean_product(
    here: npt.NDArray[np.int16], other: npt.NDArray[np.int16], shifts: tuple[tuple[int, int], ...]
) -> Floats:
    """Mean product of two pictures in `_WINDOW` about each sample, the largest of all shifts: (N_RAYS, n_samples).

    The pictures are padded as `Speckle.high`; whole squared levels; products are mirrored at the ends of the rays. In
    half the time of filters that follow one another. Along a ray nine products are added as three times three.
    """
    n = here.shape[1] - 2 * _EDGE
    first, rays = _PAD - _REACH, N_RAYS + 2 * _REACH
    products = np.empty((rays, n), dtype=np.int16)
    along, threes = np.empty(n + 2 * _REACH, dtype=np.int32), np.empty(n + 6, dtype=np.int32)
    largest = np.full((N_RAYS, n), np.int32(-(2**31)), dtype=np.int32)
    # Views whose index starts at 0: the loops run on whole registers then.
    second, third, middle_threes, last_threes = along[1:], along[2:], threes[3:], threes[6:]
    sums = along[_REACH:][:n]  # of the window's rays
    for depth, ray in shifts:
        for k in range(rays):
            one, two = here[first + k, _EDGE:][:n], other[first + k - ray, _EDGE - depth :][:n]
            row = products[k]
            for j in range(n):
                level = np.rint(np.float32(one[j]) * np.float32(two[j]) * np.float32(_TO_LEVELS))
                row[j] = np.int16(min(max(level, np.float32(-32768.0)), np.float32(32767.0)))
        sums[:] = 0
        for k in range(rays):
            entering = products[k]
            for j in range(n):
                sums[j] += entering[j]
            if k < 2 * _REACH:
                continue
            for j in range(1, _REACH + 1):
                along[_REACH - j], along[_REACH + n - 1 + j] = sums[j], sums[n - 1 - j]
            for j in range(n + 6):
                threes[j] = along[j] + second[j] + third[j]
            row_largest, leaving = largest[k - 2 * _REACH], products[k - 2 * _REACH]
            for j in range(n):
                row_largest[j] = max(row_largest[j], np.int32(threes[j] + middle_threes[j] + last_threes[j]))
            for j in range(n):
                sums[j] -= leaving[j]
    mean = np.empty((N_RAYS, n), dtype=np.float32)
    for k in range(N_RAYS):
        for j in range(n):
            mean[k, j] = np.rint(np.float32(largest[k, j]) * np.float32(1.0 / _WINDOW[0] / _WINDOW[1]))
    return mean


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
