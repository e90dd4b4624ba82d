"""The wall behind a stent, found by its own profile: first echo, media, and what lies behind.

Where struts stand off, the whole wall lies farther out, and the media's dark line with it, which is seen between the
struts even where their side lobes fill the gap with grey. How the wall looks behind this stent is learnt from all rays
of the pictures given, most of which are apposed. Each gap is then as likely as blood before it, that profile
behind it, and anything beyond. Thicker plaque has another profile; so a pocket is only believed where what is seen of
it is dark and wall follows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.pockets import APPOSED_MM, COST_RAYS, gap_path, pockets_of, rounded
from boreline.segmentation.straightened import (
    BLOOD_MM,
    BRIGHTENED,
    FREE,
    LEAST_SAMPLES,
    Floats32,
    Straightened,
    over_frames,
    smooth_rays,
)

_GAP_MM, _WALL_MM = 0.8, 0.4
_BEYOND_MM = 0.3
_FIRST_ECHO_MM = 0.06
_LOWEST, _HIGHEST = -0.5, 1.5
_BLOOD_SD, _PROFILE_SD, _BEYOND_SD = (0.12, 0.4), 0.15, (0.2, 0.8)
_LARGEST_MISFIT = 3.0
_INDEPENDENT = 0.25
"""Share of the samples that count: speckle and beam spread over several."""
_NEARER = 1.5  # per mm: where little is seen the wall is sooner at the stent than off it
_SILENT_DRAWN = np.float32(0.05)
_LEAST_LIKELIER = 20.0
_POCKET_SAMPLES, _DARKEST, _FOLLOWS, _FOLLOWS_MM = 20, 0.25, 0.6, 0.25
_ENDLESS = 0.02
"""A pocket needs so many samples within it and behind it, those within on average no brighter than this share of the
way from blood to wall, those behind no darker than this share of the usual profile, and an end on nearly all rays."""


@dataclass(frozen=True, slots=True)
class _Behind:
    """What is seen from the stent outwards; arrays (n_frames, n_angles, n_offsets) unless stated.

    `share` is grey as the share of the way from blood to wall, `free` where it counts, `cost` that of a wall's face at
    each offset up to the largest gap; `usual` is how bright the wall's face usually is.
    """

    share: Floats32
    free: BoolArray
    cost: Floats32
    usual: float


def gap_by_profile(view: Straightened) -> FloatArray:
    """Distance from the stent to the wall, (n_frames, n_angles), in mm; `APPOSED_MM` without a pocket; NaN unknown."""
    gaps = np.full(view.silent.shape, np.nan)
    behind = _behind(view)
    if behind is None:
        return gaps
    n_gap = behind.cost.shape[2]
    for frame in np.flatnonzero(view.usable).tolist():
        cost = smooth_rays(behind.cost[frame] - behind.cost[frame, :, :1], COST_RAYS)
        cost[view.silent[frame]] = _SILENT_DRAWN * np.arange(n_gap, dtype=np.float32)
        path, gap = gap_path(cost, view.step_mm)
        likelier = cost[:, 0] - cost[np.arange(len(path)), path]
        believed = np.full(len(gap), APPOSED_MM)
        for pocket in pockets_of(gap):
            clear = likelier[pocket].sum() >= _LEAST_LIKELIER and (path[pocket] >= n_gap - 2).mean() <= _ENDLESS
            if clear and _is_gap(behind, frame, pocket, path[pocket], view.step_mm):
                believed[pocket] = gap[pocket]
        gaps[frame] = rounded(believed)
    return gaps


def _behind(view: Straightened) -> _Behind | None:
    """Learn blood, wall and what lies beyond, and weigh every gap by them; None if too little shows."""
    share = np.clip(view.share, _LOWEST, _HIGHEST)
    free = (view.cover == FREE) & view.usable[:, None, None]
    inside = (view.offsets_mm > BLOOD_MM[0]) & (view.offsets_mm < BLOOD_MM[1])
    blood = share[:, :, inside][free[:, :, inside]]
    n_gap, n_wall = (round(mm / view.step_mm) for mm in (_GAP_MM, _WALL_MM))
    outside = slice(view.stent, view.stent + n_gap + n_wall)
    heard = ~view.silent[:, :, None] & view.usable[:, None, None]
    share = np.ascontiguousarray(share[:, :, outside])
    free, lobes = free[:, :, outside] & heard, (view.cover[:, :, outside] == BRIGHTENED) & heard
    beyond = share[free & (view.offsets_mm[outside] >= _BEYOND_MM)]
    if len(blood) <= LEAST_SAMPLES or len(beyond) <= LEAST_SAMPLES:
        return None
    others = np.array([_middle_and_spread(blood, *_BLOOD_SD), _middle_and_spread(beyond, *_BEYOND_SD)])
    profile = _usual_profile(share, free, n_wall, round(_FIRST_ECHO_MM / view.step_mm), others[1, 1])
    misfit = np.float32(_INDEPENDENT) * _misfit(share, free, lobes, others, profile, n_gap)
    nearer = np.float32(_NEARER * view.step_mm) * np.arange(n_gap, dtype=np.float32)
    usual = float(profile[: round(_FOLLOWS_MM / view.step_mm), 0].mean())
    return _Behind(share, free, over_frames(misfit, view.usable) + nearer, usual)


def _middle_and_spread(values: Floats32, least: float, largest: float) -> tuple[float, float]:
    middle = np.median(values)
    return float(middle), float(np.clip(1.4826 * np.median(np.abs(values - middle)), least, largest))


def _usual_profile(share: Floats32, free: BoolArray, n_wall: int, first_echo: int, largest_sd: float) -> FloatArray:
    """Usual share of grey and its spread at each distance from the wall's face, shape (n_wall, 2)."""
    profile = np.tile([1.0, 0.5], (n_wall, 1))
    for k in range(n_wall):
        seen = share[:, :, k][free[:, :, k]]
        if len(seen) > LEAST_SAMPLES:
            profile[k] = _middle_and_spread(seen, _PROFILE_SD, largest_sd)
    # Struts cover the first echo, and what is seen between them is darkened by the rise.
    begins = profile[: max(first_echo, 2), 0]
    begins[:] = np.maximum(begins, 1.0)
    return profile


@compiled
def _misfit(
    share: Floats32, free: BoolArray, lobes: BoolArray, others: FloatArray, profile: FloatArray, n_gap: int
) -> Floats32:
    """Negative log likelihood of a wall's face at each offset, shape (n_frames, n_angles, n_gap).

    `others` holds mean and spread of blood and of what lies beyond the wall. Lobes only brighten: they speak where they
    are darker than the wall would be.
    """
    n_frames, n_angles, n = share.shape
    n_wall = len(profile)
    mean, log_sd = profile[:, 0].copy(), np.log(profile[:, 1])
    precision = 1.0 / profile[:, 1]
    others_log_sd, others_precision = np.log(others[:, 1]), 1.0 / others[:, 1]
    out = np.empty((n_frames, n_angles, n_gap), dtype=np.float32)
    before, beyond = np.zeros(n + 1), np.zeros(n + 1)
    for frame in range(n_frames):
        for a in range(n_angles):
            here, seen, lobe = share[frame, a], free[frame, a], lobes[frame, a]
            for k in range(n):
                before[k + 1] = before[k]
                if seen[k]:
                    before[k + 1] += _misfit_of(here[k], others[0, 0], others_precision[0]) + others_log_sd[0]
            for k in range(n - 1, -1, -1):
                beyond[k] = beyond[k + 1]
                if seen[k]:
                    beyond[k] += _misfit_of(here[k], others[1, 0], others_precision[1]) + others_log_sd[1]
            for gap in range(n_gap):
                end = min(gap + n_wall, n)
                total = before[gap] + beyond[end]
                for k in range(gap, end):
                    if seen[k]:
                        total += _misfit_of(here[k], mean[k - gap], precision[k - gap]) + log_sd[k - gap]
                    elif lobe[k] and here[k] < mean[k - gap]:
                        total += _misfit_of(here[k], mean[k - gap], precision[k - gap])
                out[frame, a, gap] = total
    return out


@compiled
def _misfit_of(value: float, mean: float, precision: float) -> float:
    """Half the squared misfit in spreads; outliers count no more than `_LARGEST_MISFIT`."""
    return float(min(0.5 * ((value - mean) * precision) ** 2, _LARGEST_MISFIT))


def _is_gap(behind: _Behind, frame: int, pocket: IntArray, path: IntArray, step_mm: float) -> bool:
    """Whether a pocket is dark where it is seen, and wall follows its `path`."""
    share, free = behind.share[frame, pocket], behind.free[frame, pocket]
    k = np.arange(share.shape[1])
    end = path[:, None] + round(_FOLLOWS_MM / step_mm)
    dark, wall = share[free & (k < path[:, None])], share[free & (k >= path[:, None]) & (k < end)]
    enough = min(len(dark), len(wall)) >= _POCKET_SAMPLES
    return bool(enough and dark.mean() <= _DARKEST and wall.mean() >= _FOLLOWS * behind.usual)
