"""Does the registration prove itself? Branch mouths seen in both pictures, compared.

A branch mouth is a place that the IVUS run shows (the wall opens) and the cine shows (a second vessel leaves). None
is used to register; each is compared with where the others say it should be, and that leave-one-out error is what
a length between two landmarks can be trusted to. The entry into the guide and stent edges are not looked for in the
cine: they show too faintly there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.optimize import linear_sum_assignment
from scipy.signal import find_peaks

from boreline.flags import Flag
from boreline.model import FloatArray
from boreline.position.centreline import Centreline, Image, ridge_map

_OFFSETS_MM = (2.25, 2.75, 3.25, 3.75)
_MOUTH_MM = 1.3  # from the axis, where a branch leaves a vessel of usual calibre: common practice, no source
_LEAST_RIDGE = 0.3
_STRAIGHT_MM = 0.6
_STEEPEST = 2.5  # mm along per mm away
_LEAST_FRAMES = 3
_FARTHEST_MM = 5.0


@dataclass(frozen=True, slots=True)
class LandmarkCheck:
    """Branch mouths found in both pictures.

    Attributes
    ----------
    ivus_mm, cine_mm
        Shape (n,), matched pairs along the path, in order.
    leave_one_out_mm
        Shape (n,): how far each pair is off when the others fix the common shift; empty for fewer than two.
    """

    ivus_mm: FloatArray
    cine_mm: FloatArray
    leave_one_out_mm: FloatArray


def branch_mouths(picture: Image, line: Centreline, mm_per_px: float) -> FloatArray:
    """Lengths (px) along the centreline at which another vessel leaves it.

    On lines beside the vessel a branch is a peak of the ridge; followed over four distances it must be straight,
    and is traced back to the vessel's wall.
    """
    ridge = ridge_map(picture, mm_per_px)
    tangent = np.gradient(line.xy_px, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    mouths: list[float] = []
    for side in (-1.0, 1.0):
        peaks = []
        for offset_mm in _OFFSETS_MM:
            beside = line.xy_px + side * offset_mm / mm_per_px * normal
            profile = map_coordinates(ridge, [beside[:, 1], beside[:, 0]], order=1, mode="constant")
            found, _ = find_peaks(profile, height=_LEAST_RIDGE, distance=max(1, round(4.0 / mm_per_px)))
            peaks.append(line.arc_px[found] * mm_per_px)
        mouths += _traced_back(peaks)
    return np.sort(np.array(mouths)) / mm_per_px


def _traced_back(peaks_mm: Sequence[FloatArray]) -> list[float]:
    mouths = []
    for start in peaks_mm[0]:
        places = [float(start)]
        for (near, far), offered in zip(pairwise(_OFFSETS_MM), peaks_mm[1:], strict=True):
            if not len(offered):
                break
            guess = places[-1] + (places[-1] - places[-2] if len(places) > 1 else 0.0)
            nearest = float(offered[np.argmin(np.abs(offered - guess))])
            if abs(nearest - places[-1]) > _STEEPEST * (far - near):
                break
            places.append(nearest)
        if len(places) < len(_OFFSETS_MM):
            continue
        slope, start_mm = np.polyfit(_OFFSETS_MM, places, 1)
        if np.abs(np.polyval([slope, start_mm], _OFFSETS_MM) - places).max() <= _STRAIGHT_MM:
            mouths.append(float(start_mm + slope * _MOUTH_MM))
    return mouths


def ivus_branches(flags: Sequence[frozenset[Flag]], arc_mm: FloatArray) -> FloatArray:
    """Places (mm along the path) of the branch mouths that the IVUS run shows, one per stretch of frames."""
    here = np.array([Flag.BRANCH in words for words in flags]) & np.isfinite(arc_mm)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], here.astype(np.int8), [0]])))
    places = [
        float(np.median(arc_mm[a:b])) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= _LEAST_FRAMES
    ]
    # A transducer that goes back shows the same mouth twice.
    merged: list[list[float]] = []
    for place in sorted(places):
        if merged and place - merged[-1][-1] < 1.5:
            merged[-1].append(place)
        else:
            merged.append([place])
    return np.array([float(np.mean(group)) for group in merged])


def compare_landmarks(ivus_mm: FloatArray, cine_mm: FloatArray) -> LandmarkCheck:
    """Match two sets of places one to one, within 5 mm of each other, and leave each out in turn."""
    if not (len(ivus_mm) and len(cine_mm)):
        return LandmarkCheck(np.empty(0), np.empty(0), np.empty(0))
    away = np.abs(ivus_mm[:, None] - cine_mm[None, :])
    rows, columns = linear_sum_assignment(np.minimum(away, 2 * _FARTHEST_MM))
    close = away[rows, columns] <= _FARTHEST_MM
    ivus, cine = ivus_mm[rows[close]], cine_mm[columns[close]]
    off = ivus - cine
    n = len(off)
    left_out = np.abs(off - (off.sum() - off) / (n - 1)) if n > 1 else np.empty(0)
    return LandmarkCheck(ivus, cine, left_out)
