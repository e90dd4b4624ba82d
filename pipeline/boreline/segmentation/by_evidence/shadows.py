"""Rays from which little comes back from behind the wall: calcium, guidewire, struts, attenuation, dropout."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled

SKIP_MM = 0.28
DEPTH_MM = 1.8
"""The wall behind the border is judged from `SKIP_MM` to `SKIP_MM + DEPTH_MM` behind it."""
SHADOWED = 0.35
"""A ray is shadowed when its brightness there is less than this share of the run's ordinary one."""
NARROWEST, WIDEST_WIRE = 3, 56
"""Angle steps: a guidewire's shadow is a few to about 80 degrees wide; a wider shadow is not bridged in the lumen."""
WIRE_MARGIN = 7
"""Angle steps added on either side: the wire's echo is wider than its shadow."""


@compiled
def level_behind(
    picture: npt.NDArray[np.float32], border: npt.NDArray[np.float32], skip: int, depth: int
) -> npt.NDArray[np.float32]:
    """Mean grey level behind the border, one per angle; the border is held between its 30th and 80th percentile."""
    n_angles, n_samples = picture.shape
    low, high = np.percentile(border, 30), np.percentile(border, 80)
    out = np.empty(n_angles, dtype=np.float32)
    for a in range(n_angles):
        start = min(int(min(max(border[a], low), high)) + skip, n_samples - depth // 3)
        stop = min(start + depth, n_samples)
        total = np.float32(0.0)
        for d in range(start, stop):
            total += picture[a, d]
        out[a] = total / (stop - start)
    return out


@compiled
def narrow_sectors(dark: npt.NDArray[np.bool_], narrowest: int, widest: int, margin: int) -> npt.NDArray[np.bool_]:
    """Runs of dark rays (cyclic) of a width from `narrowest` to `widest`, widened by `margin` on either side."""
    n = dark.shape[0]
    out = np.zeros(n, dtype=np.bool_)
    if dark.all() or not dark.any():
        return out
    start = int(np.argmin(dark))
    a = 0
    while a < n:
        if not dark[(start + a) % n]:
            a += 1
            continue
        length = 0
        while length < n and dark[(start + a + length) % n]:
            length += 1
        if narrowest <= length <= widest:
            for k in range(a - margin, a + length + margin):
                out[(start + k) % n] = True
        a += length
    return out
