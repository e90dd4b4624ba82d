"""Which of the shadows is the guidewire's: the one with a loud echo in the lumen in front of it.

Calcium throws a shadow too, and a segmenter that only bridges the lumen need not tell them apart; the arc of calcium
does. A guidewire is in every frame or in none, keeps its width and wanders slowly.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray

_LOUDER = 1.25
_COMMON = 0.5  # share of frames in which the wire's own echo must be heard
_HALF_WIDTHS_DEG = (8.0, 25.0)


def wire_rays(before: npt.NDArray[np.floating], shadow: BoolArray) -> BoolArray:
    """Rays behind the guidewire.

    Parameters
    ----------
    before
        Brightest echo between halo and lumen border, (n_frames, n_angles); NaN where unknown.
    shadow
        Rays in shadows, of whatever origin.
    """
    hidden = np.zeros_like(shadow)
    known = np.isfinite(before)
    if not (shadow & known).any() or not (~shadow & known).any():
        return hidden
    n = shadow.shape[1]
    ordinary = float(np.percentile(before[~shadow & known], 95))
    loudest = np.where(shadow & known, before, -1.0)
    peak = loudest.argmax(axis=1)
    heard = loudest.max(axis=1) > _LOUDER * ordinary
    shadowed = shadow.any(axis=1)
    if heard.sum() < _COMMON * max(shadowed.sum(), 1):
        return hidden
    frames = np.flatnonzero(heard)
    half_way = (frames[1:] + frames[:-1]) / 2
    nearest = frames[np.searchsorted(half_way, np.arange(len(peak)))]
    middle = peak[nearest]
    loud = shadow & known & (before > 0.5 * (ordinary + loudest.max(axis=1))[:, None])
    half = float(np.median(loud[frames].sum(axis=1))) / 2 * 360.0 / n + _HALF_WIDTHS_DEG[0]
    reach = round(min(half, _HALF_WIDTHS_DEG[1]) * n / 360.0)
    rows = np.flatnonzero(shadowed)
    for offset in range(-reach, reach + 1):
        hidden[rows, (middle[rows] + offset) % n] = True
    return hidden & shadow
