"""The external elastic membrane: the outer edge of the dark media, where the bright adventitia begins.

Assumes the lumen of the frame. Inside the lumen the picture is filled with the brightness of the wall behind it,
because the lumen's own edge, dark before bright as well, is the membrane's worst rival.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.segmentation.surfaces import closed_path

MEDIA_MM, ADVENTITIA_MM = 0.10, 0.25
"""The media is 0.1 to 0.3 mm thick (common practice); the contrast is taken over these depths on either side."""
THINNEST_WALL_MM = 0.12
_FILL_MM = 0.4
SMOOTHING = (2.5, 0.8)
"""Of the picture, (angles, samples)."""
CONTRAST_UNIT = 30.0
"""Grey levels of contrast that count as one nat; limits on either side keep calcium from deciding for others."""
_WEAKEST, _STRONGEST = -2.0, 4.0
LARGEST_STEP = 2
STIFFNESS = 0.12
SHAPE_ORDER = 4
SHAPE_SCALE_MM = 0.15
SHAPE_TOLERANCE_MM = 0.12
"""A membrane this far from its smooth shape costs one contrast unit times `_SHAPE_PULL`."""
_SHAPE_PULL = 0.2
_IMPOSSIBLE = 2.0


@compiled
def membrane_score(
    picture: npt.NDArray[np.float32], lumen: npt.NDArray[np.float32], edge: int, mm_per_sample: float
) -> npt.NDArray[np.float32]:
    """How well each (angle, sample) looks like the membrane, in contrast units; -`_IMPOSSIBLE` where it cannot lie.

    `picture` is smoothed (angles, samples); `lumen` the lumen's border in samples, whose own edge is `edge` samples wide.
    """
    n_angles, n_samples = picture.shape
    media = max(2, int(np.round(MEDIA_MM / mm_per_sample)))
    adventitia = max(3, int(np.round(ADVENTITIA_MM / mm_per_sample)))
    fill = max(3, int(np.round(_FILL_MM / mm_per_sample)))
    thinnest = max(3, int(np.round(THINNEST_WALL_MM / mm_per_sample)))
    score = np.full((n_angles, n_samples), np.float32(-_IMPOSSIBLE), dtype=np.float32)
    total = np.zeros(n_samples + 1, dtype=np.float32)
    for a in range(n_angles):
        border = min(max(int(lumen[a]) + edge, 0), n_samples - 2)
        stop = min(border + 1 + fill, n_samples)
        start = min(border + 1, stop - 1)
        wall = picture[a, start:stop].mean()
        for d in range(n_samples):
            total[d + 1] = total[d] + (wall if d <= border else picture[a, d])
        for d in range(max(int(lumen[a]) + thinnest, border + 1), n_samples - adventitia):
            dark = (total[d] - total[d - media]) / media
            bright = (total[d + adventitia] - total[d]) / adventitia
            first = max(d - media - adventitia, 0)
            before = (total[d - media] - total[first]) / max(d - media - first, 1)
            step = bright - dark
            value = min(step + 0.5 * max(before - dark, np.float32(0.0)), 2.0 * step)
            score[a, d] = min(max(value / CONTRAST_UNIT, _WEAKEST), _STRONGEST)
    return score


@compiled
def membrane_path(
    score: npt.NDArray[np.float32],
    trust: npt.NDArray[np.float32],
    shape: npt.NDArray[np.float32],
    mm_per_sample: float,
) -> npt.NDArray[np.int64]:
    """The closed path of best score; rays of little `trust` follow their neighbours and the smooth `shape` (samples).

    A shape of all zeros is none.
    """
    n_angles, n_samples = score.shape
    cost = np.empty((n_angles, n_samples), dtype=np.float32)
    for a in range(n_angles):
        for d in range(n_samples):
            pull = np.float32(0.0)
            if shape[a] > 0.0:
                off = (d - shape[a]) * mm_per_sample / SHAPE_TOLERANCE_MM
                pull = _SHAPE_PULL * off * off
            cost[a, d] = 0.5 * (pull - score[a, d]) * trust[a]
    return closed_path(cost, LARGEST_STEP, STIFFNESS)
