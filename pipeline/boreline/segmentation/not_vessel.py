"""Frames at the proximal end that are not vessel: the guide catheter, and the aorta before it.

A guide catheter is a tube: the border is round, of one radius, and less than usual comes back from behind its wall. Its
lumen of about 1.8 mm would pass for the smallest area of a run. Where its echo drowns in the catheter's halo the border
is drawn at the halo's end, where its blood is as bright as wall at the end of the view: in both cases perfectly round.
In the aorta the border lies beyond the view.

A single frame is trusted only if all of this is plain in it. Going from the proximal end, a run shows some frames of
guide catheter, then some of aorta, then the vessel to its distal end; the two places of change with the largest sum of
log odds are taken. Which end of the run is proximal follows from the same sum, so either order of recording works.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray, FloatArray
from boreline.segmentation.calcium import WallEchoes

LARGEST_GUIDE_MM = 1.2
"""Inner radii of guide catheters of 5 to 8 F are 0.70 to 1.15 mm (common practice, no source); with a small margin.
There is no smallest one: the border may be drawn at the halo's end."""
LARGEST_CORONARY_MM = 2.9
"""Radius of a circle as large as the lumen, beyond which a frame speaks for the aorta (common practice, no source)."""
_CLIP = 3.0
_LEAST_EVIDENCE = 5.5
"""A little less than one frame can give. On tuning runs hardly any vessel frame is called guide or aorta for it."""
_LEAST_BESIDE_GUIDE = 4.0
"""Evidence for the aorta between a guide catheter and the vessel, where it is no surprise."""
_MOST_PCT = 85  # nearly all round: calcium may shadow most of a vessel, a guide catheter leaves nothing open
_LEAST_PCT = 20  # on nearly every ray
_FLAT = 0.005
"""A border less unround than this was not found but taken where the search begins or ends: no wall is so round."""
_VERY_ROUND = 0.02
"""Most borders of guide catheters are less unround than this, few of vessels."""
_MOST_BACK, _MOST_BACK_ROUND, _MOST_BACK_FLAT = 0.74, 0.81, 0.88
"""Of the usual grey behind a wall; for borders that are very round, and for those that hug the catheter, more."""


@dataclass(frozen=True, slots=True)
class NotVessel:
    """Shape (n_frames,) each: inside the guide catheter; in the aorta or elsewhere outside the vessel."""

    in_guide: BoolArray
    outside: BoolArray


def find_not_vessel(lumen_mm: npt.NDArray[np.floating], echoes: WallEchoes, hidden: BoolArray) -> NotVessel:
    """Judge the frames of a run.

    Parameters
    ----------
    lumen_mm
        Shape (n_frames, n_rays): lumen radii about its centre of mass; NaN where there is none (such frames say
        nothing).
    echoes
        What lies behind the border, by rays about the transducer.
    hidden
        Rays in the shadow of a guidewire, about the transducer.
    """
    radius = np.sqrt((lumen_mm**2).mean(axis=1)).astype(np.float64)
    unround = lumen_mm.std(axis=1) / radius
    guide, outside = _guide_odds(radius, unround, echoes, hidden), _outside_odds(radius)
    passed_over = _passed_over(radius, unround, echoes, hidden)
    guide[passed_over], outside[passed_over] = 2 * _CLIP, 0.0
    ends = [_best_end(guide, outside)]
    backwards = _best_end(guide[::-1], outside[::-1])
    ends.append((backwards[0], backwards[1][::-1], backwards[2][::-1]))
    _, in_guide, in_aorta = max(ends, key=lambda end: end[0])
    return NotVessel(in_guide, in_aorta)


def _guide_odds(radius: FloatArray, unround: FloatArray, echoes: WallEchoes, hidden: BoolArray) -> FloatArray:
    """Log odds of guide catheter against vessel, shape (n_frames,); 0 where nothing is known."""
    known = np.isfinite(radius)
    rays = ~hidden & np.isfinite(echoes.behind)
    behind, front = (_percentile(echo, rays, _MOST_PCT) for echo in (echoes.behind, echoes.front))
    # Brightness of a frame drifts with the gain, its share of the front's does not; the front may be a stent's.
    comes_back = 0.5 * (_against_usual(behind) + _against_usual(behind / np.maximum(front, 1.0)))
    with np.errstate(invalid="ignore"):
        fits, flat = known & (radius < LARGEST_GUIDE_MM), unround < _FLAT
        most = np.select([flat, unround < _VERY_ROUND], [_MOST_BACK_FLAT, _MOST_BACK_ROUND], _MOST_BACK)
        likely = fits & ~flat & (unround < 0.07) & (comes_back < most)
    own_mm = float(np.median(radius[likely])) if likely.any() else np.inf
    parts = (
        np.clip((most - comes_back) / 0.03, -_CLIP, _CLIP),
        np.clip((0.05 - unround) / 0.015, -_CLIP, 1.5),
        np.where(flat, 1.5, np.clip((0.08 - np.abs(radius - own_mm)) / 0.03, -_CLIP, 1.5)),
    )
    return np.where(known, np.where(fits, np.nan_to_num(np.sum(parts, axis=0)), -_CLIP), 0.0)


def _against_usual(values: FloatArray) -> FloatArray:
    """Over what is usual in the run's vessel: a guide catheter takes up less than a quarter."""
    known = np.isfinite(values)
    return values / np.percentile(values[known], 75) if known.any() else values


def _passed_over(radius: FloatArray, unround: FloatArray, echoes: WallEchoes, hidden: BoolArray) -> BoolArray:
    """Frames whose border lies at the end of the view, although all round there is an echo as loud as a wall's."""
    walls = _percentile(echoes.front, ~hidden & np.isfinite(echoes.front), _LEAST_PCT)
    loudest = _percentile(echoes.before, ~hidden & np.isfinite(echoes.before), _LEAST_PCT)
    if not np.isfinite(walls).any():
        return np.zeros(len(radius), dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        found: BoolArray = (radius > LARGEST_CORONARY_MM) & (unround < _FLAT) & (loudest > np.nanmedian(walls))
    return found


def _outside_odds(radius: FloatArray) -> FloatArray:
    """Log odds of aorta against vessel."""
    return np.nan_to_num(np.clip((radius - LARGEST_CORONARY_MM) / 0.15, -_CLIP, _CLIP))


def _percentile(values: npt.NDArray[np.floating], valid: BoolArray, pct: float) -> FloatArray:
    """Percentile over the valid rays of each frame, NaN where fewer than a quarter are valid."""
    count = valid.sum(axis=1)
    enough = count > 0.25 * valid.shape[1]
    ordered = np.sort(np.where(valid, values, np.inf).astype(np.float32), axis=1)
    place = pct / 100.0 * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    frames = np.arange(len(values))
    below, above = ordered[frames, low], ordered[frames, high]
    with np.errstate(invalid="ignore"):
        out: FloatArray = np.where(enough, below + (place - low) * (above - below), np.nan)
    return out


def _best_end(guide: FloatArray, outside: FloatArray) -> tuple[float, BoolArray, BoolArray]:
    """Best share of guide, then aorta, at the start of the arrays: (evidence, in guide, in aorta)."""
    n = len(guide)
    guide_sum = np.concatenate([[0.0], np.cumsum(guide)])
    outside_sum = np.concatenate([[0.0], np.cumsum(outside)])
    gain = guide_sum - outside_sum
    first = np.array([0, *np.maximum.accumulate(gain)])[1:]
    stop = int(np.argmax(outside_sum + first))
    change = int(np.argmax(gain[: stop + 1]))
    if guide_sum[change] < _LEAST_EVIDENCE:
        change = 0
    if outside_sum[stop] - outside_sum[change] < (_LEAST_BESIDE_GUIDE if change > 0 else _LEAST_EVIDENCE):
        stop = change
    place = np.arange(n)
    evidence = guide_sum[change] + outside_sum[stop] - outside_sum[change]
    return float(evidence), place < change, (place >= change) & (place < stop)
