"""Calcium and attenuated plaque: what lies behind the lumen border casts a shadow, with or without a bright front.

Each ray gives three numbers per frame: where in the wall the level falls most, how much comes back right behind that
front, and how much from farther behind. Behind calcium nothing comes back at once; attenuated plaque fades. What is
dark is learnt from the usual walls of the run.

Calcium arc: angle of bright echo *with* shadow, apex at the lumen's centre of mass, separate arcs added (DICOM
PS3.16 and common practice). Superficial calcium has its leading edge in the inner half of the wall, deep calcium in
the outer half (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import label, uniform_filter1d

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.arcs import Arcs, arcs_of, close_and_drop, grow, runs_of

_BEFORE_LUMEN_MM = 0.1
_DEEPEST_WALL_MM = 2.0
_FRONT_MM = 0.1
_SKIP_MM = 0.18
_DARK_MM = 0.4
_PART_MM, _PARTS = 0.4, 5
_FIRST = 0.75
_EDGE = 0.8  # standard deviations
_SHADOW, _HARD = 0.45, 0.48  # of the usual level
_BLACK = 0.4  # of the usual level, on average over a patch: attenuated plaque only fades
_OPEN_PCT, _ROUNDS = 90, 4
_SPILL_DEG = 8.0
_TOUCH_DEG = 6.0
_DIM_FRONTS_PCT = 20
_LEAST_ARC_DEG = 15.0
_GAP_DEG = 8.0
_FRAMES = 5


Floats = npt.NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class WallEchoes:
    """Per frame and ray, arrays (n_frames, n_rays), in half precision; NaN where the frame has no lumen.

    `front_mm` is the depth of the largest fall of the grey level in or right behind the wall, from one pulse length
    to the half millimetre behind it; `front` the mean level of that pulse length, `after` the mean level of that
    half millimetre; `behind` the usual level of two millimetres. `before` is the brightest echo between the
    catheter's halo and the lumen border.
    """

    front: npt.NDArray[np.float16]
    after: npt.NDArray[np.float16]
    front_mm: npt.NDArray[np.float16]
    behind: npt.NDArray[np.float16]
    before: npt.NDArray[np.float16]


@compiled
def _echoes(
    block: npt.NDArray[np.uint8], lumen: FloatArray, outer: FloatArray, halo: int, mm_per_sample: float
) -> npt.NDArray[np.float32]:
    n_frames, n_angles, n_samples = block.shape
    out = np.full((5, n_frames, n_angles), np.float32(np.nan), dtype=np.float32)
    bright = max(int(np.round(_FRONT_MM / mm_per_sample)), 1)
    skip = int(np.round(_SKIP_MM / mm_per_sample))
    dark = int(np.round(_DARK_MM / mm_per_sample))
    part = int(np.round(_PART_MM / mm_per_sample))
    total = np.zeros(n_samples + 1, dtype=np.int64)
    parts = np.empty(_PARTS)
    for frame in range(n_frames):
        for a in range(n_angles):
            if not lumen[frame, a] > 0.0:
                continue
            ray = block[frame, a]
            for d in range(n_samples):
                total[d + 1] = total[d] + ray[d]
            start = max(int((lumen[frame, a] - _BEFORE_LUMEN_MM) / mm_per_sample), 0)
            stop = min(int(np.ceil(outer[frame, a] / mm_per_sample)), n_samples - skip - dark)
            largest, place = -256.0, -1
            for d in range(start, stop):
                level = (total[d + bright] - total[d]) / bright
                after = (total[d + skip + dark] - total[d + skip]) / dark
                if level - after > largest:
                    largest, place = level - after, d
            loudest = 0
            for d in range(halo, min(start - bright, n_samples - 2)):
                loudest = max(loudest, total[d + 3] - total[d])
            out[4, frame, a] = loudest / 3.0
            if place < 0:
                continue
            # Reverberations fall as steeply as the front itself: take the first of the large falls.
            for d in range(start, place):
                level = (total[d + bright] - total[d]) / bright
                after = (total[d + skip + dark] - total[d + skip]) / dark
                following = (total[d + 1 + bright] - total[d + 1]) / bright
                after_following = (total[d + 1 + skip + dark] - total[d + 1 + skip]) / dark
                if level - after >= _FIRST * largest and level - after >= following - after_following:
                    place = d
                    break
            out[0, frame, a] = (total[place + bright] - total[place]) / bright
            out[1, frame, a] = (total[place + skip + dark] - total[place + skip]) / dark
            out[2, frame, a] = place * mm_per_sample
            n = 0
            for k in range(_PARTS):
                begin = place + skip + k * part
                if begin + part <= n_samples:
                    parts[n] = (total[begin + part] - total[begin]) / part
                    n += 1
            if n > 1:
                out[3, frame, a] = np.median(parts[:n])
    return out


def wall_echoes(
    block: npt.NDArray[np.uint8],
    lumen_mm: FloatArray,
    eem_mm: FloatArray,
    mm_per_sample: float,
    halo_mm: float = 0.6,
) -> WallEchoes:
    """Look behind the lumen border of every ray of a block.

    Parameters
    ----------
    block
        Shape (n_frames, n_angles, n_samples); sample i lies ``i * mm_per_sample`` from the transducer.
    lumen_mm, eem_mm
        Radii about the transducer, shape (n_frames, n_angles); NaN where unknown.
    """
    limit = lumen_mm + _DEEPEST_WALL_MM
    outer = np.where(np.isfinite(eem_mm), np.minimum(eem_mm + 0.1, limit), limit)
    found = _echoes(block, lumen_mm, outer, int(halo_mm / mm_per_sample), mm_per_sample)
    return WallEchoes(*found.astype(np.float16))


@dataclass(frozen=True, slots=True)
class CalciumFindings:
    """Calcium and attenuated plaque of a run; arcs about the lumen's centre of mass.

    `arc_deg` is the sum of the calcium arcs per frame (NaN without a lumen); `superficial` says, per calcium arc,
    whether its leading edge lies in the inner half of the wall (false where the wall's thickness is unknown and the
    front lies deeper than half a millimetre); `calcified` is the same per ray, (n_frames, n_angles).
    """

    calcium: Arcs
    attenuated: Arcs
    arc_deg: FloatArray
    superficial: BoolArray
    calcified: BoolArray
    learnt: dict[str, float]


def find_calcium(
    echoes: WallEchoes,
    lumen_mm: Floats,
    eem_mm: Floats,
    centre_mm: FloatArray,
    hidden: BoolArray,
    elsewhere: BoolArray,
) -> CalciumFindings:
    """Arcs of calcium and of attenuated plaque.

    Parameters
    ----------
    lumen_mm, eem_mm
        Radii about the transducer, (n_frames, n_angles), NaN where unknown.
    centre_mm
        Centre of mass of the lumen from the transducer, (n_frames, 2).
    hidden
        Rays in the shadow of a guidewire, (n_frames, n_angles). An arc that reaches it on both sides runs across;
        one that reaches it on one side ends somewhere behind it, half-way is the best guess.
    elsewhere
        Rays into a side branch, and all rays outside the vessel, (n_frames, n_angles): no calcium there.
    """
    known = np.isfinite(echoes.after) & ~hidden & ~elsewhere
    front, after, behind = (_smooth(values, known) for values in (echoes.front, echoes.after, echoes.behind))
    levels = _learn(after[known], behind[known])
    with np.errstate(invalid="ignore"):
        shadow = behind < levels.shadow
        hard = (after < levels.hard) & shadow
        # The beam spills its surroundings into a shadow: at the true edge half the amplitude is left, which on a
        # logarithmic display is a small part of the way down.
        partly = (after < levels.edge) & (behind < levels.usual)
    n = known.shape[1]
    gap, least = round(_GAP_DEG * n / 360), int(np.ceil(_LEAST_ARC_DEG * n / 360))
    dark = grow(hard, partly, round(_SPILL_DEG * n / 360))
    calcified = _patches(dark, front, after, known & ~shadow, levels.black)
    calcified = close_and_drop(calcified | _behind_wire(hidden, calcified), gap, least)
    attenuated = close_and_drop(shadow & ~calcified & known, gap, least)
    arcs = arcs_of(calcified, echoes.front_mm, centre_mm)
    arc_deg = np.where(np.isfinite(lumen_mm).any(axis=1), arcs.per_frame_deg(len(lumen_mm)), np.nan)
    half = np.where(np.isfinite(eem_mm), 0.5 * (eem_mm - lumen_mm), 0.5)
    inner = arcs_of(calcified, lumen_mm + half, centre_mm)
    return CalciumFindings(
        arcs,
        arcs_of(attenuated, echoes.front_mm, centre_mm),
        arc_deg,
        arcs.depth_mm <= inner.depth_mm,
        calcified,
        {"level_behind_wall": levels.usual, "level_shadow": levels.shadow, "level_after_calcium": levels.hard},
    )


def in_shadow(echoes: WallEchoes) -> BoolArray:
    """Rays with next to nothing behind the wall, whatever the reason, (n_frames, n_rays)."""
    known = np.isfinite(echoes.after) & np.isfinite(echoes.behind)
    levels = _learn(echoes.after[known], echoes.behind[known])
    dark: BoolArray = known & (echoes.behind < levels.shadow)
    return dark


def _patches(dark: BoolArray, front: Floats, after: Floats, ordinary: BoolArray, black: float) -> BoolArray:
    """The patches (over rays and frames) that are calcium: black right behind a front as bright as ordinary walls."""
    usual = front[ordinary & ~dark & np.isfinite(front)]
    if len(usual) == 0 or not dark.any():
        return dark
    patch, count = label(dark, structure=np.ones((3, 3)))
    # The first and the last ray are neighbours: give patches that meet there one number.
    same = np.arange(count + 1)
    for left, right in np.unique(patch[:, [0, -1]][patch[:, 0].astype(bool) & patch[:, -1].astype(bool)], axis=0):
        same[same == same[right]] = same[left]
    patch = same[patch]
    fronts, levels = _mean_over(patch, front, count), _mean_over(patch, after, count)
    bright = fronts >= np.percentile(usual, _DIM_FRONTS_PCT)
    kept: BoolArray = dark & (bright & (levels < black))[patch]
    return kept


def _mean_over(patch: IntArray, values: Floats, count: int) -> FloatArray:
    """Mean of the known values in each of `count` patches, and in what belongs to none; 0 where none is known."""
    seen = np.isfinite(values)
    total = np.bincount(patch[seen], values[seen], minlength=count + 1)
    mean: FloatArray = total / np.maximum(np.bincount(patch[seen], minlength=count + 1), 1)
    return mean


def _behind_wire(hidden: BoolArray, calcified: BoolArray) -> BoolArray:
    """Hidden rays that count as calcium: a run with calcium on both sides, half of one with calcium on one side."""
    n = hidden.shape[1]
    touch = round(_TOUCH_DEG * n / 360)
    taken = np.zeros_like(hidden)
    for frame, first, count in runs_of(hidden):
        before, after = (calcified[frame, np.arange(a, a + touch) % n].any() for a in (first - touch, first + count))
        if count == n or not (before or after):
            continue
        start = first if before else first + count // 2
        stop = first + count if after else first + count // 2
        taken[frame, np.arange(start, stop) % n] = True
    return taken


def _smooth(values: npt.NDArray[np.float16], known: BoolArray) -> Floats:
    """Mean of the known values over neighbouring frames; NaN where there are few."""
    known = known & np.isfinite(values)
    total = uniform_filter1d(np.where(known, values, 0.0).astype(np.float32), _FRAMES, axis=0, mode="nearest")
    share = uniform_filter1d(known.astype(np.float32), _FRAMES, axis=0, mode="nearest")
    return np.where(share > 0.2, total / np.maximum(share, 1e-6), np.float32(np.nan))


@dataclass(frozen=True, slots=True)
class _Levels:
    """Grey levels of one run: `usual` and `shadow` far behind a front; `hard`, `black` and `edge` right behind it."""

    usual: float
    shadow: float
    hard: float
    black: float
    edge: float


def _learn(after: Floats, behind: Floats) -> _Levels:
    """What is usual in this run, and what stands out.

    What is usual is the median of the rays that are in no shadow: found by turns, from the brightest tenth on, so that
    shadows may take up most of a run. Behind a hard front it is half as bright as usual or less; ordinary tissue,
    averaged over a few frames, hardly ever is.
    """
    both = np.isfinite(after) & np.isfinite(behind)
    if not both.any():
        return _Levels(*(np.nan,) * 5)
    after, behind = after[both].astype(np.float32), behind[both].astype(np.float32)
    usual = float(np.percentile(behind, _OPEN_PCT))
    for _ in range(_ROUNDS):
        usual = float(np.median(behind[behind >= _SHADOW * usual]))
    ordinary = after[behind >= _SHADOW * usual]
    median = float(np.median(ordinary))
    upper, top = np.percentile(ordinary, [75, 95])
    spread = float(top - upper) / (1.645 - 0.674)  # of a normal curve, from quantiles that no shadow reaches
    return _Levels(
        usual=usual,
        shadow=_SHADOW * usual,
        hard=_HARD * median,
        black=_BLACK * median,
        edge=median - _EDGE * spread,
    )
