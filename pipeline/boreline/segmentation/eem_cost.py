"""Where a membrane may lie: on each ray a dark ring of some thickness, with brightness outside and, less, inside.

The lumen's edge looks much the same and is stronger, so the lumen is filled with the level of the wall first.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray, IntArray
from boreline.segmentation.features import Bytes, Floats

MINIMUM_WALL_MM = 0.1
_MEDIA_MM = (0.08, 0.14, 0.22)
_OUTSIDE_MM = 0.22
_INSIDE_MM = 0.15
_INSIDE_SHARE = np.float32(0.5)
_LEVEL_MM = 0.4
_DARKER = 0.9
FORBIDDEN = np.float32(1e3)


@compiled
def membrane_cost(grey: Bytes, lumen: FloatArray, spread: float, last: IntArray, mm_per_sample: float) -> Floats:
    """Cost of the membrane just before each sample, shape of `grey`.

    `lumen`: depth of the lumen border per ray; `spread`: grey levels that count as one; `last`: number of samples
    inside the picture per ray.
    """
    n_rays, n = grey.shape
    cost = np.empty((n_rays, n), dtype=np.float32)
    outside = max(2, int(np.round(_OUTSIDE_MM / mm_per_sample)))
    inside = max(2, int(np.round(_INSIDE_MM / mm_per_sample)))
    wall = int(np.round(MINIMUM_WALL_MM / mm_per_sample))
    reach = int(_LEVEL_MM / mm_per_sample)
    media = [max(2, int(np.round(mm / mm_per_sample))) for mm in _MEDIA_MM]
    pad = media[-1] + inside
    sums = np.zeros(pad + n + 1, dtype=np.float32)
    best = np.empty(n, dtype=np.float32)
    per_out, per_in, per_spread = np.float32(1.0 / outside), np.float32(1.0 / inside), np.float32(-1.0 / spread)
    for k in range(n_rays):
        row = grey[k]
        edge, end = int(np.ceil(lumen[k])), min(int(last[k]), n)
        level, count = 0.0, 0
        for j in range(edge + 2, min(edge + reach, end)):
            level += row[j]
            count += 1
        level = level / count if count > 0 else 0.0
        filled = edge + 2
        while filled < edge + wall and filled < n and row[filled] < _DARKER * level:
            filled += 1
        filled = min(filled, n)
        total = np.float32(0.0)
        for j in range(pad + n):
            sums[j] = total
            if j < pad + filled:
                total += np.float32(level)
            elif j < pad + end:
                total += np.float32(row[j - pad])
        sums[pad + n] = total
        first = min(max(edge + wall, 0), n)
        stop = max(min(end - outside, n), first)
        cost[k, :first] = FORBIDDEN
        best[: stop - first] = np.float32(-1e9)
        here, beyond = sums[pad + first : pad + stop], sums[pad + first + outside : pad + stop + outside]
        for m in media:
            per_m = np.float32(1.0 / m)
            before = sums[pad + first - m : pad + stop - m]
            inner = sums[pad + first - m - inside : pad + stop - m - inside]
            for j in range(len(here)):  # on views from 0 on, so that the loop runs on whole registers
                dark = (here[j] - before[j]) * per_m
                out = (beyond[j] - here[j]) * per_out - dark
                within = (before[j] - inner[j]) * per_in - dark
                score = out + _INSIDE_SHARE * (min(out, within))
                best[j] = max(best[j], score)
        line = cost[k, first:stop]
        for j in range(len(line)):
            line[j] = best[j] * per_spread
        for j in range(stop, n):  # near the end of the picture what is left of the outside has to do
            if j + 3 >= end:
                cost[k, j] = np.float32(1.0)
                continue
            outer = (sums[pad + end] - sums[pad + j]) / (end - j)
            top = np.float32(-1e9)
            for m in media:
                dark = (sums[pad + j] - sums[pad + j - m]) / m
                out = outer - dark
                within = (sums[pad + j - m] - sums[pad + j - m - inside]) / inside - dark
                top = max(top, out + _INSIDE_SHARE * min(within, out))
            cost[k, j] = top * per_spread
    return cost
