"""Where the wall is behind a stent: on it, or some way off with blood between.

Two readings of the straightened pictures. The samples that struts leave free vote for blood or for wall, by the blood
inside the stent and the wall behind it in the same frame, and the border is the closed path that best parts blood from
wall. The media is as dark as blood, but lies at much the same depth all round: where darkness is usual it is no
evidence. Where the wall's usual profile is seen farther out in such a pocket (`wall_profile`), its place there is the
better one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.lumen import runs_of_true
from boreline.segmentation.pockets import APPOSED_MM, COST_RAYS, POCKET_MM, gap_path, pockets_of, rounded
from boreline.segmentation.straightened import (
    BRIGHTENED,
    COVERED,
    FREE,
    LEAST_SAMPLES,
    Floats32,
    Straightened,
    over_frames,
    smooth_rays,
)
from boreline.segmentation.wall_profile import gap_by_profile

_PARTING = 0.65  # of the way from blood to wall: struts fill the blood behind them with some grey
_USUALLY_DARK, _USUAL_FROM_MM = 0.65, 0.1
_UNKNOWN = 0.03  # where nothing is known the wall is sooner at the stent than off it
_WALL_SEEN, _BEHIND_WALL = 3.0, 0.02
_FOLLOWS_MM, _WALL_FOLLOWS, _NO_WALL = 0.1, 0.05, 4.0
_SILENT_DRAWN = np.float32(0.1)
_MOUTH_MM = 1.0  # own choice: struts that stand farther off span a side branch more often than a gap
_POCKET_SAMPLES, _POCKET_VOTE = 20, -0.15
"""A pocket needs so many samples that say something, and so much darkness in them on average."""


def gap_behind(view: Straightened) -> tuple[FloatArray, FloatArray]:
    """Distance from the stent's curve to the wall along each ray, shape (n_frames, n_angles), in mm; NaN if not seen.

    Gaps shorter than a strut's own echo cannot be told from none and read `APPOSED_MM`. Pockets so deep that they may
    be mouths of branches read NaN in the first array returned, and as deep as they seem in the second.
    """
    gaps, deep = _gap_by_votes(view)
    profiled = gap_by_profile(view)
    again = _pockets_of_both(profiled > POCKET_MM, np.isnan(gaps) | (gaps > POCKET_MM))
    return np.where(again, profiled, gaps), np.where(again, profiled, deep)


def _pockets_of_both(profiled: BoolArray, voted: BoolArray) -> BoolArray:
    """Pockets by profile that hold a ray that is off the wall by votes too, shape (n_frames, n_angles)."""
    both = np.zeros_like(profiled)
    for frame in np.flatnonzero((profiled & voted).any(axis=1)):
        for pocket in runs_of_true(profiled[frame]):
            both[frame, pocket] = voted[frame, pocket].any()
    return both


def _gap_by_votes(view: Straightened) -> tuple[FloatArray, FloatArray]:
    usual = _usual(view.grey, view.cover, view.offsets_mm)
    votes, says = _votes(view.grey, view.cover, view.blood, view.wall, usual)
    votes = np.stack([smooth_rays(vote, COST_RAYS) for vote in over_frames(votes, view.usable)])
    gaps, deep = np.full(view.silent.shape, np.nan), np.full(view.silent.shape, np.nan)
    for frame in np.flatnonzero(view.usable):
        silent = view.silent[frame]
        here = np.ascontiguousarray(votes[frame, :, view.stent :])
        cost = _cost(here, round(_FOLLOWS_MM / view.step_mm))
        cost[silent] = _SILENT_DRAWN * np.arange(cost.shape[1], dtype=np.float32)
        path, gap = gap_path(cost, view.step_mm)
        gaps[frame], deep[frame] = _believed(gap, path, here, says[frame, :, view.stent :], silent)
    return gaps, deep


def _usual(grey: Floats32, cover: npt.NDArray[np.uint8], offsets: FloatArray) -> FloatArray:
    """Usual grey at each distance behind the stent; endless where nothing is known or no media can lie."""
    usual = np.full(len(offsets), np.inf)
    for k in np.flatnonzero(offsets > _USUAL_FROM_MM):
        seen = grey[:, :, k][cover[:, :, k] == FREE]
        if len(seen) > LEAST_SAMPLES:
            usual[k] = np.median(seen)
    return usual


@compiled
def _votes(
    grey: Floats32, cover: npt.NDArray[np.uint8], blood_level: FloatArray, wall_level: FloatArray, usual: FloatArray
) -> tuple[Floats32, BoolArray]:
    """Votes for wall (> 0) or blood (< 0), -1..1; and which samples say something."""
    n_frames, n_angles, n = grey.shape
    votes = np.zeros((n_frames, n_angles, n), dtype=np.float32)
    says = np.zeros((n_frames, n_angles, n), dtype=np.bool_)
    for frame in range(n_frames):
        blood, wall = blood_level[frame], wall_level[frame]
        if not np.isfinite(wall):
            continue
        for k in range(n):
            dark_is_usual = (usual[k] - blood) / (wall - blood) < _USUALLY_DARK
            for a in range(n_angles):
                votes[frame, a, k] = _UNKNOWN
                if cover[frame, a, k] == COVERED:
                    continue
                vote = (grey[frame, a, k] - blood) / (wall - blood) - _PARTING
                if (vote < 0.0 and dark_is_usual) or (vote > 0.0 and cover[frame, a, k] == BRIGHTENED):
                    continue
                votes[frame, a, k] = min(max(vote, -1.0), 1.0)
                says[frame, a, k] = True
    return votes, says


def _believed(
    gap: FloatArray, path: IntArray, votes: Floats32, says: BoolArray, silent: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """The gaps in pockets that are dark, of which enough is seen, and that are not too wide; apposed elsewhere.

    A pocket so deep that it may be the mouth of a branch reads NaN in the first array, and its depth in the second.
    """
    believed, mouth = np.full_like(gap, APPOSED_MM), np.zeros(len(gap), dtype=np.bool_)
    deep = believed.copy()
    for pocket in pockets_of(gap):
        seen = pocket[~silent[pocket]]
        total = sum(float(votes[ray, : path[ray]].sum()) for ray in seen)
        samples = sum(int(says[ray, : path[ray]].sum()) for ray in seen)
        if samples >= _POCKET_SAMPLES and total <= _POCKET_VOTE * samples:
            mouth[pocket] = gap[pocket].max() > _MOUTH_MM
            believed[pocket] = np.where(mouth[pocket], APPOSED_MM, gap[pocket])
            deep[pocket] = gap[pocket]
    return np.where(mouth, np.nan, rounded(believed)), rounded(deep)


@compiled
def _cost(votes: Floats32, follows: int) -> Floats32:
    """Cost of a border before each offset: votes for wall inside it; a wall once met goes on, however dark behind.

    A border away from the stent needs wall within the `follows` offsets behind it: a shadow is no pocket of blood.
    """
    n_rays, n = votes.shape
    cost = np.empty((n_rays, n), dtype=np.float32)
    for a in range(n_rays):
        total, wall = np.float32(0.0), np.float32(0.0)
        for k in range(n):
            cost[a, k] = total
            if k > 0:
                behind = np.float32(0.0)
                for j in range(k, min(k + follows, n)):
                    behind += votes[a, j]
                if behind < np.float32(_WALL_FOLLOWS * follows):
                    cost[a, k] += np.float32(_NO_WALL)
            vote = votes[a, k]
            wall = max(np.float32(0.0), wall + vote)
            if wall > np.float32(_WALL_SEEN):
                wall = np.float32(1e6)
                vote = max(vote, np.float32(_BEHIND_WALL))
            total += vote
    return cost
