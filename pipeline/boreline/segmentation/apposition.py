"""The wall behind a stent, frame by frame, and the largest distance of a strut from it.

The stented stretches are read a second time: only now is it known where the struts are.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from boreline.geometry import contour_radii_mm
from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, Run
from boreline.segmentation.behind_struts import gap_behind
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.secondary import MALAPPOSED_MM, Apposition, Secondary, stent_contours
from boreline.segmentation.straightened import straighten
from boreline.segmentation.struts import StrutCandidates

_BLOCK_FRAMES, _MARGIN = 24, 2
_STEADY_FRAMES = 7
_GAP_FRAMES, _GAP_MM, _GAP_KNOWN, _GAP_SHARE = 6, 0.4, 2, 0.5
"""A deep pocket is a gap, not a branch's mouth, where of the frames so near at least so many are known, and this share
of those has struts so far off the wall (tuning: 2 of 147 frames with 0.2 to 0.4 mm were called 0.4 mm by it)."""
_STRUT_DEG = 8.0  # less than half an echo at 40 MHz: wider, the distance reads too large (tuning)
COARSE_MM = 0.4
"""Width of the struts' echoes from which a gap that matters drowns in them (0.4 mm; from memory, consensus documents on
optimising stents): only a pocket that is seen all the same is reported, none found does not mean apposed."""


def apposition_of(
    run: Run, sampler: PolarSampler, found: Secondary, *, wire: BoolArray, branch: BoolArray, lag_mm: float = 0.0
) -> Apposition:
    """Look behind the struts.

    `wire` and `branch` are rays about the transducer, (n_frames, n_rays); in the pictures the struts' echoes rise
    `lag_mm` before the struts, and the wall's before the wall.
    """
    stent, candidates = found.stent, found.candidates
    n_frames, n_rays = wire.shape
    grid, n_angles = sampler.grid, sampler.in_region.shape[0]
    step = n_angles // n_rays
    width_mm = _strut_width_mm(candidates, stent.on_ring)
    wall_mm = np.full((n_frames, n_rays), np.nan, dtype=np.float32)
    distance, deepest = np.full(n_frames, np.nan), np.full(n_frames, np.nan)
    for part, inner, pictures in _stented_blocks(run, sampler, stent.present):
        contours = stent_contours(found, sampler, part)
        curve = contour_radii_mm(contours, grid.calibration, np.array(grid.centre_px), n_angles)
        hidden = np.repeat(wire[part], step, axis=1)
        angle_deg, rise_mm = candidates.angle_deg[part], candidates.depth_mm[part] - lag_mm
        gap, deep = gap_behind(
            straighten(pictures, curve - lag_mm, hidden, angle_deg, rise_mm, width_mm, sampler.mm_per_sample)
        )
        gap[~stent.present[part]] = np.nan
        left_out = hidden | np.repeat(branch[part], step, axis=1)
        lumen = curve + gap
        for frame in range(inner.start, inner.stop):
            whole = part.start + frame
            chosen = stent.on_ring[whole]
            counts = ~left_out[frame] & _in_echoes(candidates.angle_deg[whole, chosen], hidden.shape[1])
            distance[whole] = _largest_distance(curve[frame], gap[frame], counts)
            deepest[whole] = _largest_distance(curve[frame], deep[frame], counts)
            wall_mm[whole] = lumen[frame, ::step]
    distance = long_gaps(_steady(distance, stent.present), _steady(deepest, stent.present))
    if width_mm >= COARSE_MM:
        distance[~(distance > MALAPPOSED_MM)] = np.nan
    return Apposition(wall_mm, distance)


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


def _in_echoes(angle_deg: FloatArray, n_angles: int) -> BoolArray:
    """Rays that lie in a strut's echo, within which its place is not known."""
    near = np.zeros(n_angles, dtype=np.bool_)
    reach = round(_STRUT_DEG * n_angles / 360.0)
    ray = np.round(angle_deg * n_angles / 360.0).astype(np.int64)
    near[(ray[:, None] + np.arange(-reach, reach + 1)) % n_angles] = True
    return near


@compiled
def _largest_distance(stent_mm: FloatArray, gap_mm: FloatArray, counts: BoolArray) -> float:
    """Largest distance from the stent to the nearest place of the wall, over the rays that count; NaN if not known.

    Where the wall is not known on some of them, only a distance that is malapposed anyway is.
    """
    n = len(gap_mm)
    angle = 2.0 * np.pi * np.arange(n) / n
    known = np.isfinite(gap_mm)
    radius = (stent_mm + gap_mm)[known]
    x, y = radius * np.cos(angle[known]), radius * np.sin(angle[known])
    largest, unknown = 0.0, not known.any()
    for a in range(n):
        unknown = unknown or (counts[a] and not known[a])
        if counts[a] and gap_mm[a] > largest:  # the wall straight behind is never nearer than the nearest
            from_x, from_y = stent_mm[a] * np.cos(angle[a]), stent_mm[a] * np.sin(angle[a])
            largest = max(largest, np.sqrt(((x - from_x) ** 2 + (y - from_y) ** 2).min()))
    return np.nan if unknown and largest <= MALAPPOSED_MM else largest


def long_gaps(distance: FloatArray, deepest: FloatArray) -> FloatArray:
    """Unknown distances taken from deep pockets where frames nearby are malapposed: a gap is long, a mouth is short."""
    out = distance.copy()
    for frame in np.flatnonzero(np.isnan(distance) & (deepest > MALAPPOSED_MM)):
        near = distance[max(frame - _GAP_FRAMES, 0) : frame + _GAP_FRAMES + 1]
        known = near[np.isfinite(near)]
        if len(known) >= _GAP_KNOWN and (known >= _GAP_MM).mean() >= _GAP_SHARE:
            out[frame] = deepest[frame]
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
