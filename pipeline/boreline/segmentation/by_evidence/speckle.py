"""What speckle tells: brightness, and how much of it stays from one frame to the next.

Blood moves, tissue stays: between neighbouring frames the fine pattern of tissue keeps its correlation while blood's is
lost. The pattern is high-passed first, so that the brightness step at the wall does not correlate with itself.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from boreline.segmentation.polar import PolarBlock

Float32Block = npt.NDArray[np.float32]

BRIGHTNESS_SIGMA = (2.0, 1.5)
"""Smoothing of the brightness, (angles, samples)."""
_FINE, _COARSE = (0.8, 0.6), (3.0, 2.5)
_WINDOW = (9, 7)
_SHIFTS = ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0))
"""Tissue may move by a sample or turn by an angle step between frames; the best of these counts."""
_NOISE_FLOOR = 1.0
"""Grey levels squared: a pattern weaker than this is quantisation, not speckle."""


def blur(picture: npt.NDArray[np.float32], sigma_angles: float, sigma_samples: float) -> npt.NDArray[np.float32]:
    """Gaussian smoothing of (angles, samples), cyclic in angle."""
    pad = int(np.ceil(3 * sigma_angles)) + 1
    wrapped = np.concatenate([picture[-pad:], picture, picture[:pad]])
    smooth = cv2.GaussianBlur(
        wrapped, (0, 0), sigmaX=max(sigma_samples, 1e-3), sigmaY=sigma_angles, borderType=cv2.BORDER_REPLICATE
    )
    return np.ascontiguousarray(smooth[pad:-pad])


def _window_mean(picture: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    pad = _WINDOW[0] // 2
    wrapped = np.concatenate([picture[-pad:], picture, picture[:pad]])
    mean = cv2.boxFilter(wrapped, -1, (_WINDOW[1], _WINDOW[0]), borderType=cv2.BORDER_REPLICATE)
    return mean[pad:-pad]


def brightness(pictures: PolarBlock) -> Float32Block:
    """Smoothed grey level, same shape."""
    return np.stack([blur(picture.astype(np.float32), *BRIGHTNESS_SIGMA) for picture in pictures])


def persistence(pictures: PolarBlock) -> Float32Block:
    """Correlation of fine speckle with the neighbouring frames (mean of both sides), -1..1, same shape.

    A single frame, and a picture without any pattern, gives 0 everywhere.
    """
    n = len(pictures)
    fine = []
    for picture in pictures:
        grey = picture.astype(np.float32)
        fine.append(blur(grey, *_FINE) - blur(grey, *_COARSE))
    power = [_window_mean(f * f) + _NOISE_FLOOR for f in fine]
    out = np.zeros(pictures.shape, dtype=np.float32)
    count = np.zeros(n, dtype=np.float32)
    for t in range(n - 1):
        best = np.full(pictures.shape[1:], -1.0, dtype=np.float32)
        for shift in _SHIFTS:
            other = np.roll(fine[t + 1], shift, (0, 1)) if any(shift) else fine[t + 1]
            there = np.roll(power[t + 1], shift, (0, 1)) if any(shift) else power[t + 1]
            np.maximum(best, _window_mean(fine[t] * other) / np.sqrt(power[t] * there), out=best)
        for frame in (t, t + 1):
            out[frame] += best
            count[frame] += 1
    out /= np.maximum(count, 1)[:, None, None]
    return out
