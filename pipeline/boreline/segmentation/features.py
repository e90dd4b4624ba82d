"""Per-frame pictures that the borders are found in: smoothed grey, and how much speckle a frame shares with the last.

All have `N_RAYS` rays (every second ray of the polar block) and all depths, uint8, so that look-up tables turn them into
likelihoods.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.segmentation.polar import N_ANGLES

STRIDE = 2
N_RAYS = N_ANGLES // STRIDE
_PAD = 8  # rays repeated on both sides, so that filters go round
_SHIFTS = ((0, 0), (-1, 0), (1, 0), (-2, 0), (2, 0), (0, -1), (0, 1))  # samples in depth, rays
_HIGH_PASS = (9, 5)  # samples, rays
_WINDOW = (9, 9)
_FLOOR = 4.0  # grey levels squared: below it there is no speckle to compare

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
    """High-passed speckle of one frame, and its local energy; rays repeated on both sides."""

    high: Floats
    energy: Floats

    @classmethod
    def of(cls, polar: Bytes) -> Speckle:
        """The speckle of one polar picture.

        Without the high-pass the step of brightness at the wall, which moves with the wall, is what correlates most.
        """
        thin = cv2.resize(polar, (polar.shape[1], N_RAYS), interpolation=cv2.INTER_AREA)
        padded = wrapped(thin).astype(np.float32)
        high = padded - cv2.blur(padded, _HIGH_PASS)
        return cls(high, cv2.blur(high * high, _WINDOW))

    def shared_with(self, other: Speckle) -> Bytes:
        """Local correlation with another frame, best of a few shifts: (N_RAYS, n_samples), 128 = none, 255 = one."""
        best: Floats | None = None
        for depth, ray in _SHIFTS:
            moved, energy = other.high, other.energy
            if depth or ray:
                moved, energy = (_moved(picture, depth, ray) for picture in (moved, energy))
            scale = np.sqrt(self.energy * energy) + np.float32(_FLOOR)
            found = cv2.blur(self.high * moved, _WINDOW) / scale
            best = found if best is None else np.maximum(best, found)
        assert best is not None
        shared: Bytes = cv2.convertScaleAbs(best[_PAD : _PAD + N_RAYS], alpha=127.0, beta=128.0)
        return shared


def _moved(picture: Floats, depth: int, ray: int) -> Floats:
    return np.roll(picture, (ray, depth), axis=(0, 1))


def mean_of(a: Bytes, b: Bytes) -> Bytes:
    """Mean of two byte pictures."""
    mean: Bytes = cv2.addWeighted(a, 0.5, b, 0.5, 0)
    return mean


def thin_picture(polar: Bytes) -> Bytes:
    """Every second ray, lightly averaged over its neighbours, depth untouched: for the fine place of edges."""
    padded = wrapped(polar)
    smooth: Bytes = cv2.sepFilter2D(padded, cv2.CV_8U, np.ones(1), np.array([0.25, 0.5, 0.25]))
    return np.ascontiguousarray(smooth[_PAD : _PAD + N_ANGLES : STRIDE])
