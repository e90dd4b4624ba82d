"""Where the wall is behind a stent: on it, or some way off with blood between.

Struts outshine the wall and smear sideways, so a border that is looked for without knowing of them runs along their
echoes. Here the stent's curve is known: each picture is straightened along it, the darkest of a few frames is taken
(struts move from frame to frame, the wall stays), what is still narrow and bright (struts, with their reverberations)
is taken off by a grey opening sideways, and the border is the closed path that best parts what is as dark as the blood
inside the stent from what is brighter. Rays on which no wall comes back at all lie in a shadow and say nothing.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, minimum_filter1d, uniform_filter1d

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.lumen import runs_of_true
from boreline.segmentation.surfaces import closed_path, sub_sample

_INSIDE_MM, _BEYOND_MM = 0.4, 1.3
_ECHO_SHARE = 0.42  # of a strut's width: the length of its own echo, in which nothing is said about the wall
APPOSED_MM = 0.04
"""Where the wall is taken to be behind an apposed stent: half a strut's usual thickness (no source)."""
_BLOOD_MM = (-0.4, -0.16)
_WALL_MM = (0.1, 0.4)
_FRAMES = 5
_PAD = 8  # rays repeated on both sides, so that filters go round
_OPENING_SHARE = 1.35  # of a strut's width
_LEAST_CONTRAST = 12.0  # grey levels between blood and wall, below which nothing is said
_LARGEST_STEP, _STIFFNESS = 3, 0.4
_SMEARED_MM, _SMEARED_TRUST = 0.3, 0.7
_WALL_SEEN = 3.0
_BEHIND_WALL = 0.02
_FOLLOWS_MM, _WALL_FOLLOWS, _NO_WALL = 0.1, 0.02, 4.0
_SILENT_DRAWN = np.float32(0.1)  # per sample: where nothing is known the wall is sooner at the stent than off it
_ECHO_FROM_MM, _ECHO_MM, _SHADOW = 0.3, 0.25, 0.4
"""A ray with no stretch of wall, from where a strut's own echo has faded, even this share as bright as usual."""
_POCKET_MM, _POCKET_DARK, _POCKET_DARK_PCT = 0.15, 0.3, 25
_MOST_OFF = 0.5
"""A wall off more than this share of the circle is none: the levels of blood and wall were mistaken."""


@compiled
def _straighten(pictures: npt.NDArray[np.uint8], curve: FloatArray, first: int, count: int) -> npt.NDArray[np.float32]:
    """Grey at ``curve + first .. curve + first + count`` samples on each ray, interpolated; NaN outside the picture."""
    n_frames, n_angles, n_samples = pictures.shape
    out = np.full((n_frames, n_angles, count), np.float32(np.nan), dtype=np.float32)
    for f in range(n_frames):
        for a in range(n_angles):
            for k in range(count):
                place = curve[f, a] + first + k
                low = int(np.floor(place))
                if low >= 0 and low + 1 < n_samples:
                    share = place - low
                    out[f, a, k] = (1.0 - share) * pictures[f, a, low] + share * pictures[f, a, low + 1]
    return out


def gap_behind(
    pictures: npt.NDArray[np.uint8],
    stent_mm: FloatArray,
    hidden: BoolArray,
    strut_width_mm: float,
    mm_per_sample: float,
) -> FloatArray:
    """Distance from the stent's curve to the wall along each ray, shape (n_frames, n_angles), in mm; NaN if not seen.

    Gaps shorter than a strut's own echo cannot be told from none and read `APPOSED_MM`.

    Parameters
    ----------
    pictures
        Consecutive stented frames, (n_frames, n_angles, n_samples).
    stent_mm
        The stent's radii about the transducer, (n_frames, n_angles).
    hidden
        Rays in the shadow of a guidewire: they take the course of their neighbours.
    strut_width_mm
        Usual width of a strut's echo: the resolution of this run.
    """
    first = -round(_INSIDE_MM / mm_per_sample)
    count = round((_INSIDE_MM + _BEYOND_MM) / mm_per_sample)
    offsets: FloatArray = np.asarray((first + np.arange(count)) * mm_per_sample, dtype=np.float64)
    start = int(np.searchsorted(offsets, _ECHO_SHARE * strut_width_mm))
    straight = np.nan_to_num(_straighten(pictures, _filled(stent_mm) / mm_per_sample, first, count))
    darkest = minimum_filter1d(np.stack([_smooth(picture) for picture in straight]), _FRAMES, axis=0, mode="nearest")
    gaps = np.full(stent_mm.shape, np.nan)
    for frame in np.flatnonzero(np.isfinite(stent_mm).all(axis=1)):
        size = _OPENING_SHARE * strut_width_mm / float(stent_mm[frame].mean()) * stent_mm.shape[1] / (2 * np.pi)
        opened = _open_sideways(darkest[frame], 2 * round(size / 2) + 1)
        levels = _levels(opened, hidden[frame], offsets)
        if levels is None:
            continue
        blood, wall, silent = levels
        share = (opened[:, start:] - blood) / (wall - blood)
        votes = share - 0.5
        # Side lobes and reverberations of struts only ever brighten what is close behind them.
        close = votes[:, : round(_SMEARED_MM / mm_per_sample)]
        close[close > 0] *= _SMEARED_TRUST
        cost = _cost(np.clip(votes, -1.0, 1.0).astype(np.float32), round(_FOLLOWS_MM / mm_per_sample))
        cost[silent] = _SILENT_DRAWN * np.arange(cost.shape[1], dtype=np.float32)
        path = closed_path(cost, _LARGEST_STEP, _STIFFNESS)
        gap = np.where(path == 0, APPOSED_MM, sub_sample(cost, path) * mm_per_sample + offsets[start])
        gaps[frame] = gaussian_filter1d(_believed(gap, path, share, silent), 2.0, mode="wrap")
    return gaps


def _smooth(picture: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    around = np.concatenate([picture[-_PAD:], picture, picture[:_PAD]])
    smooth: npt.NDArray[np.float32] = cv2.GaussianBlur(around, (5, 5), 1.0)[_PAD:-_PAD]
    return smooth


def _levels(
    opened: npt.NDArray[np.float32], hidden: BoolArray, offsets: FloatArray
) -> tuple[float, float, BoolArray] | None:
    """Grey levels of blood and wall, and the rays without an echo of the wall; None without contrast between them."""
    far = opened[:, np.searchsorted(offsets, _ECHO_FROM_MM) :]
    step = float(offsets[1] - offsets[0])
    echo = uniform_filter1d(far, max(int(_ECHO_MM / step), 1), axis=1).max(axis=1)
    silent = hidden
    for _ in range(2):  # a second time without the rays in shadow
        shown = opened if silent.all() else opened[~silent]
        blood, wall = (
            float(np.median(shown[:, (offsets > low) & (offsets < high)])) for low, high in (_BLOOD_MM, _WALL_MM)
        )
        if not wall - blood >= _LEAST_CONTRAST:
            return None
        silent = hidden | (echo < blood + _SHADOW * (wall - blood))
    return blood, wall, silent


def _believed(gap: FloatArray, path: IntArray, share: npt.NDArray[np.float32], silent: BoolArray) -> FloatArray:
    """The gaps without pockets that are not as dark as blood; none at all where they take up most of the circle."""
    off = gap > _POCKET_MM
    if (off & ~silent).sum() > _MOST_OFF * max(int((~silent).sum()), 1):
        return np.full_like(gap, APPOSED_MM)
    believed = gap.copy()
    for pocket in runs_of_true(off):
        seen = pocket[~silent[pocket]]
        if len(seen):
            within = np.concatenate([share[ray, : max(path[ray], 1)] for ray in seen])
        if len(seen) == 0 or np.percentile(within, _POCKET_DARK_PCT) > _POCKET_DARK:
            believed[pocket] = APPOSED_MM
    return believed


def _filled(stent_mm: FloatArray) -> FloatArray:
    """Frames without a curve take the nearest frame's, so that averages over frames do not mix in nothing."""
    known = np.flatnonzero(np.isfinite(stent_mm).all(axis=1))
    if len(known) == 0:
        return stent_mm
    nearest = known[np.abs(np.arange(len(stent_mm))[:, None] - known[None]).argmin(axis=1)]
    filled: FloatArray = stent_mm[nearest]
    return filled


def _open_sideways(picture: npt.NDArray[np.float32], rays: int) -> npt.NDArray[np.float32]:
    """Take off what is bright over fewer than `rays` rays, after a light smoothing; cyclic."""
    pad = 2 * rays
    around = cv2.GaussianBlur(np.concatenate([picture[-pad:], picture, picture[:pad]]), (5, 5), 1.0)
    opened: npt.NDArray[np.float32] = cv2.morphologyEx(around, cv2.MORPH_OPEN, np.ones((rays, 1), np.uint8))
    return opened[pad:-pad]


@compiled
def _cost(votes: npt.NDArray[np.float32], follows: int) -> npt.NDArray[np.float32]:
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
