"""Does the registration prove itself? Places seen in both pictures, compared.

A branch mouth is a place that the IVUS run shows (the wall opens) and the cine shows (a second vessel leaves). The
entry into the guide is the last place before the IVUS frames inside the guide, and the guide's tip under X-ray: it
is looked for in the fluoroscopy, where no contrast hides it, in the mean of the frames of the cine's phase. None is
used to register; each is compared with where the others say it should be, and that leave-one-out error is what a
length between two landmarks can be trusted to. Stent edges are not looked for: struts show too faintly in the films
at hand to be tested.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.optimize import linear_sum_assignment
from scipy.signal import find_peaks

from boreline.flags import Flag
from boreline.model import FloatArray
from boreline.position.centreline import Centreline, Image, ridge_map

_OFFSETS_MM = (2.25, 2.75, 3.25)
_MOUTH_MM = 1.3  # from the axis, where a branch leaves a vessel of usual calibre: common practice, no source
_LEAST_RIDGE = 0.3
_STRAIGHT_MM = 0.6
_STEEPEST = 2.5  # mm along per mm away
_LEAST_FRAMES = 3
_ONE_MOUTH_MM = 0.5  # between stretches of frames that show one mouth
_FARTHEST_MM = 5.0
_BESIDE_MM = (0.5, 0.65, 0.8)  # from the axis: inside a guide of 5 to 8 French, outside the catheter
_BACKGROUND_MM = (2.0, 2.5, 3.0)
_GUIDE_PART_MM = 2.0
_BEYOND_MM = 2.0
_LEAST_STEP = 6.0  # grey levels
_ALIKE = 0.9


class Landmark(StrEnum):
    """What is seen in both pictures."""

    BRANCH_MOUTH = "branch_mouth"
    GUIDE_ENTRY = "guide_entry"


@dataclass(frozen=True, slots=True)
class LandmarkCheck:
    """Places found in both pictures.

    Attributes
    ----------
    kinds
        Of each pair, length n.
    ivus_mm, xray_mm
        Shape (n,), matched pairs along the path.
    leave_one_out_mm
        Shape (n,): how far each pair is off when the others fix the common shift; empty for fewer than two.
    """

    kinds: tuple[Landmark, ...]
    ivus_mm: FloatArray
    xray_mm: FloatArray
    leave_one_out_mm: FloatArray


def branch_mouths(picture: Image, line: Centreline, mm_per_px: float) -> FloatArray:
    """Lengths (px) along the centreline at which another vessel leaves it.

    On lines beside the vessel a branch is a peak of the ridge; followed over three distances it must be straight,
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
    """Places (mm along the path) of the branch mouths that the IVUS run shows: the middle of each one's extent.

    A transducer that goes back or stops shows one mouth in several stretches of frames: what overlaps is one mouth.
    """
    here = np.array([Flag.BRANCH in words for words in flags]) & np.isfinite(arc_mm)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], here.astype(np.int8), [0]])))
    stretches = [
        (float(arc_mm[a:b].min()), float(arc_mm[a:b].max()))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if b - a >= _LEAST_FRAMES
    ]
    merged: list[tuple[float, float]] = []
    for first, last in sorted(stretches):
        if merged and first - merged[-1][1] < _ONE_MOUTH_MM:
            merged[-1] = merged[-1][0], max(merged[-1][1], last)
        else:
            merged.append((first, last))
    return np.array([(first + last) / 2 for first, last in merged])


def guide_entry(flags: Sequence[frozenset[Flag]], arc_mm: FloatArray) -> float:
    """Place (mm along the path) at which the transducer enters the guide; NaN where it never does.

    Halfway between neighbours of which one is inside; the median where a hand goes in and out.
    """
    inside = np.array([Flag.IN_GUIDE in words for words in flags])
    steps = np.flatnonzero(inside[1:] != inside[:-1])
    places = (arc_mm[steps] + arc_mm[steps + 1]) / 2
    places = places[np.isfinite(places)]
    return float(np.median(places)) if len(places) else float("nan")


def mean_picture(frames: Iterable[Image], shift_px: FloatArray) -> npt.NDArray[np.float32] | None:
    """Mean of the frames whose shift is known, each moved by it onto the cine; None where there is none.

    Parameters
    ----------
    shift_px
        Shape (n, 2), NaN for a frame that is left out.
    """
    total: npt.NDArray[np.float32] | None = None
    count = 0
    for frame, (x, y) in zip(frames, shift_px, strict=False):
        if not np.isfinite(x):
            continue
        move = np.array([[1, 0, x], [0, 1, y]], dtype=np.float32)
        moved = cv2.warpAffine(frame.astype(np.float32), move, frame.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        total = moved if total is None else total + moved
        count += 1
    return None if total is None else total / np.float32(count)


def guide_tip(picture: npt.NDArray[np.float32], line: Centreline, mm_per_px: float) -> float:
    """Length (px) along the centreline at which the guide ends; NaN where no clear end is seen.

    Parameters
    ----------
    picture
        Without contrast (`mean_picture` of a fluoroscopy): the guide is a dark band on the proximal part of the
        line. Only the band beside the line is read: wire and catheter lie in its middle.
    """
    ahead = _BEYOND_MM / mm_per_px
    arc = np.arange(line.arc_px[0], line.arc_px[-1] + ahead, 0.5)
    xy = line.at(arc)
    rows, columns = picture.shape
    seen = (xy > 2).all(axis=1) & (xy < np.array([columns - 3, rows - 3])).all(axis=1)
    arc, xy = arc[seen], xy[seen]
    part = max(4, round(_GUIDE_PART_MM / (0.5 * mm_per_px)))
    if len(arc) < 3 * part:
        return float("nan")
    tangent = np.gradient(xy, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])

    def beside(offsets_mm: Sequence[float]) -> FloatArray:
        lines = [xy + side * away / mm_per_px * normal for side in (-1, 1) for away in offsets_mm]
        values: FloatArray = np.array(
            [map_coordinates(picture, [at[:, 1], at[:, 0]], order=1, mode="nearest") for at in lines], dtype=np.float64
        )
        return values

    band = np.median(beside(_BESIDE_MM), axis=0) - beside(_BACKGROUND_MM).mean(axis=0)
    # Brightness of the band before each place less that after it: a step shows as one peak.
    total = np.concatenate([[0.0], np.cumsum(band)])
    middle = np.arange(part, len(band) - part)
    step = (2 * total[middle] - total[middle - part] - total[middle + part]) / part
    best = int(step.argmax())
    at = int(middle[best])
    border = (band[at - part : at].mean() + band[at : at + part].mean()) / 2
    # A guide is dark from its tip on, and nothing before it is as dark: a clip or a rib is no step of that kind.
    alike = min(float(np.mean(band[:at] > border)), float(np.mean(band[at:] < border)))
    if step[best] < _LEAST_STEP or alike < _ALIKE:
        return float("nan")
    return float(arc[at]) - 0.25


def compare_landmarks(
    branches_mm: tuple[FloatArray, FloatArray], entry_mm: tuple[float, float] = (float("nan"), float("nan"))
) -> LandmarkCheck:
    """Match branch mouths one to one, within 5 mm of each other, add the guide's entry, leave each out in turn.

    Parameters
    ----------
    branches_mm, entry_mm
        Along the path, by IVUS and by X-ray; the entry is NaN where it was not seen.
    """
    ivus, xray = branches_mm
    kinds: list[Landmark] = []
    if len(ivus) and len(xray):
        away = np.abs(ivus[:, None] - xray[None, :])
        rows, columns = linear_sum_assignment(np.minimum(away, 2 * _FARTHEST_MM))
        close = away[rows, columns] <= _FARTHEST_MM
        ivus, xray = ivus[rows[close]], xray[columns[close]]
        kinds = [Landmark.BRANCH_MOUTH] * len(ivus)
    else:
        ivus = xray = np.empty(0)
    if np.isfinite(entry_mm).all():
        ivus, xray = np.append(ivus, entry_mm[0]), np.append(xray, entry_mm[1])
        kinds.append(Landmark.GUIDE_ENTRY)
    return LandmarkCheck(tuple(kinds), ivus, xray, left_out_mm(ivus - xray))


def left_out_mm(off_mm: FloatArray) -> FloatArray:
    """How far each of n shifts is from the mean of the others; empty for fewer than two."""
    n = len(off_mm)
    return np.abs(off_mm - (off_mm.sum() - off_mm) / (n - 1)) if n > 1 else np.empty(0)
