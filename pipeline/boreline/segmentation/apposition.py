"""The wall behind a stent, frame by frame, and the largest distance of a strut from it.

The stented stretches are read a second time: only now is it known where the struts are.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from boreline.geometry import contour_radii_mm
from boreline.model import BoolArray, FloatArray, Run
from boreline.segmentation.behind_struts import gap_behind
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.secondary import MALAPPOSED_MM, Apposition, Secondary, stent_contours
from boreline.segmentation.struts import StrutCandidates

_BLOCK_FRAMES, _MARGIN = 24, 2
_STEADY_FRAMES = 5


def apposition_of(
    run: Run, sampler: PolarSampler, found: Secondary, *, wire: BoolArray, branch: BoolArray
) -> Apposition:
    """Look behind the struts; `wire` and `branch` are rays about the transducer, (n_frames, n_angles)."""
    stent = found.stent
    n_frames, n_angles = wire.shape
    grid = sampler.grid
    curve = contour_radii_mm(stent_contours(found, sampler), grid.calibration, np.array(grid.centre_px), n_angles)
    silent = wire | found.calcium.calcified
    width_mm = _strut_width_mm(found.candidates, stent.on_ring)
    gap = np.full((n_frames, n_angles), np.nan)
    for part, inner, pictures in _stented_blocks(run, sampler, stent.present):
        here = gap_behind(pictures, curve[part], silent[part], width_mm, sampler.mm_per_sample)
        gap[part][inner] = here[inner]
    gap[~stent.present] = np.nan
    lumen = curve + gap
    distance = _largest_distance(lumen, gap, found.candidates, stent.on_ring, silent | branch)
    with np.errstate(invalid="ignore"):
        away = (gap > MALAPPOSED_MM) & ~branch & ~silent
    arc = np.where(stent.present, away.mean(axis=1) * 360.0, np.nan)
    return Apposition(lumen, _steady(distance, stent.present), _steady(arc, stent.present))


def _stented_blocks(
    run: Run, sampler: PolarSampler, present: BoolArray
) -> Iterator[tuple[slice, slice, npt.NDArray[np.uint8]]]:
    """Pictures of stented frames: (frames read, which of them count, pictures)."""
    shape = sampler.in_region.shape
    for first in range(0, len(present), _BLOCK_FRAMES):
        last = min(first + _BLOCK_FRAMES, len(present))
        if not present[first:last].any():
            continue
        begin, end = max(first - _MARGIN, 0), min(last + _MARGIN, len(present))
        pictures = np.zeros((end - begin, *shape), dtype=np.uint8)
        for frame in run.frames(begin, end):
            picture = sampler(frame)
            if picture is not None:
                pictures[frame.number - begin] = np.where(sampler.in_region, picture, 0)
        yield slice(begin, end), slice(first - begin, last - begin), pictures


def _largest_distance(
    lumen_mm: FloatArray, gap_mm: FloatArray, candidates: StrutCandidates, are_struts: BoolArray, left_out: BoolArray
) -> FloatArray:
    """Largest distance from a strut to the nearest place of the wall, per frame; 0 when every strut is on the wall."""
    n_frames, n_angles = lumen_mm.shape
    rays = 2 * np.pi * np.arange(n_angles) / n_angles
    directions = np.stack([np.cos(rays), np.sin(rays)], axis=-1)
    out = np.full(n_frames, np.nan)
    for frame in np.flatnonzero(np.isfinite(gap_mm).all(axis=1)):
        chosen = np.flatnonzero(are_struts[frame])
        ray = np.round(candidates.angle_deg[frame, chosen] * n_angles / 360).astype(np.int64) % n_angles
        kept = ~left_out[frame, ray]
        chosen, ray = chosen[kept], ray[kept]
        if len(chosen) == 0:
            out[frame] = 0.0
            continue
        strut = candidates.depth_mm[frame, chosen, None] * directions[ray]
        wall = lumen_mm[frame, :, None] * directions
        distance = np.hypot(*np.moveaxis(strut[:, None] - wall[None], -1, 0)).min(axis=1)
        out[frame] = np.where(gap_mm[frame, ray] > 0, distance, 0.0).max()
    return out


def _strut_width_mm(candidates: StrutCandidates, are_struts: BoolArray) -> float:
    """Usual width of the struts' echoes; 0 without any."""
    if not are_struts.any():
        return 0.0
    return float(np.median((np.radians(candidates.width_deg) * candidates.depth_mm)[are_struts]))


def _steady(values: FloatArray, present: BoolArray) -> FloatArray:
    """Median over neighbouring stented frames."""
    out = np.full(len(values), np.nan)
    known = np.flatnonzero(present & np.isfinite(values))
    if len(known):
        out[known] = median_filter(values[known], min(_STEADY_FRAMES, len(known)), mode="nearest")
    return out
