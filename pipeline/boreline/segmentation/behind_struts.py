"""Where the wall is behind a stent: on it, or some way off with blood between.

Struts outshine the wall and smear sideways, so a border that is looked for without knowing of them runs along their
echoes. Here the stent's curve and its struts are known: each picture is straightened along the curve, and what the
struts themselves cover is set aside. At a strut's own range its side lobes only ever brighten, so that darkness still
counts there and brightness does not; straight behind a strut lie its reverberations and its shadow, and nothing counts.
What is left votes for blood or for wall, by the blood inside the stent and the wall behind it in the same frame.
The media is as dark as blood, but lies at much the same depth all round: where darkness is usual it is no evidence.
The border is the closed path that best parts blood from wall.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.lumen import runs_of_true
from boreline.segmentation.surfaces import closed_path, sub_sample

Floats32 = npt.NDArray[np.float32]

_INSIDE_MM, _BEYOND_MM = 0.4, 1.3
APPOSED_MM = 0.04
"""Where the wall is taken to be behind an apposed stent: half a strut's usual thickness (no source)."""
_NEAR_MM = 0.3
"""A bright dot this near the curve is a strut or as bad as one."""
_BEFORE_MM, _ECHO_SHARE = 0.06, 0.4  # a strut's echo: from before its leading edge, to this share of its width behind
_LOBES_DEG = 30.0
_BEHIND_SHARE = 0.8  # of a strut's width: what lies straight behind it
_FREE, _BRIGHTENED, _COVERED = 0, 1, 2
_BLOOD_MM, _WALL_MM = (-0.4, -0.16), (0.1, 0.4)
_BLOOD_PCT, _WALL_PCT = 45, 70  # side lobes brighten blood, a thin wall leaves room for the media
_LEAST_SAMPLES = 50
_LEAST_CONTRAST = 12.0  # grey levels between blood and wall, below which nothing is said
_PARTING = 0.65  # of the way from blood to wall: struts fill the blood behind them with some grey
_USUALLY_DARK, _USUAL_FROM_MM = 0.65, 0.1
_UNKNOWN = 0.03  # where nothing is known the wall is sooner at the stent than off it
_FRAME_WEIGHTS = (0.054, 0.242, 0.399, 0.242, 0.054)  # of a normal curve, one frame wide
_SMOOTH_RAYS, _PAD = 2.5, 8  # rays repeated on both sides, so that filters go round
_LARGEST_STEP, _STIFFNESS = 3, 0.25
_WALL_SEEN, _BEHIND_WALL = 3.0, 0.02
_FOLLOWS_MM, _WALL_FOLLOWS, _NO_WALL = 0.1, 0.05, 4.0
_SILENT_DRAWN = np.float32(0.1)
_ECHO_FROM_MM, _ECHO_MM, _SHADOW = 0.3, 0.25, 0.4
"""A ray with no stretch of wall, from where a strut's own echo has faded, even this share as bright as usual."""
_POCKET_MM, _WIDEST = 0.15, 0.5
"""A pocket wider than this share of the circle is none: the levels of blood and wall were mistaken."""
_MOUTH_MM = 1.0  # own choice: struts that stand farther off span a side branch more often than a gap
_POCKET_SAMPLES, _POCKET_VOTE = 20, -0.15
"""A pocket needs so many samples that say something, and so much darkness in them on average."""


@compiled
def _straighten(pictures: npt.NDArray[np.uint8], curve: FloatArray, first: int, count: int) -> Floats32:
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
    angle_deg: FloatArray,
    depth_mm: FloatArray,
    strut_width_mm: float,
    mm_per_sample: float,
) -> tuple[FloatArray, FloatArray]:
    """Distance from the stent's curve to the wall along each ray, shape (n_frames, n_angles), in mm; NaN if not seen.

    Gaps shorter than a strut's own echo cannot be told from none and read `APPOSED_MM`. Pockets so deep that they may
    be mouths of branches read NaN in the first array returned, and as deep as they seem in the second.

    Parameters
    ----------
    pictures
        Consecutive stented frames, (n_frames, n_angles, n_samples).
    stent_mm
        The stent's radii about the transducer, (n_frames, n_angles).
    hidden
        Rays in the shadow of a guidewire: they take the course of their neighbours.
    angle_deg, depth_mm
        Bright dots about the transducer, (n_frames, n_candidates), NaN where there are fewer; those near the curve are
        taken for struts.
    strut_width_mm
        Usual width of a strut's echo: the resolution of this run.
    """
    first = -round(_INSIDE_MM / mm_per_sample)
    count = round((_INSIDE_MM + _BEYOND_MM) / mm_per_sample)
    offsets: FloatArray = np.asarray((first + np.arange(count)) * mm_per_sample, dtype=np.float64)
    filled = _filled(stent_mm)
    known = np.isfinite(stent_mm).all(axis=1)
    straight = _straighten(pictures, filled / mm_per_sample, first, count)
    grey = np.stack([_smooth(picture, 1.0, across=1.0) for picture in np.nan_to_num(straight)])
    cover = _cover(filled, angle_deg, depth_mm, strut_width_mm, offsets)
    cover[hidden] = _COVERED
    cover[~known] = _COVERED
    levels = np.array([_levels(picture, here == _FREE, offsets) for picture, here in zip(grey, cover, strict=True)])
    votes, says = _votes(grey, cover, levels, _usual(grey, cover, offsets))
    votes = np.stack([_smooth(vote, _SMOOTH_RAYS) for vote in _over_frames(votes, np.array(_FRAME_WEIGHTS))])
    stent = -first
    gaps, deep = np.full(stent_mm.shape, np.nan), np.full(stent_mm.shape, np.nan)
    for frame in np.flatnonzero(known & np.isfinite(levels).all(axis=1)):
        silent = hidden[frame] | _silent(grey[frame], levels[frame], offsets)
        here = np.ascontiguousarray(votes[frame, :, stent:])
        cost = _cost(here, round(_FOLLOWS_MM / mm_per_sample))
        cost[silent] = _SILENT_DRAWN * np.arange(cost.shape[1], dtype=np.float32)
        path = closed_path(cost, _LARGEST_STEP, _STIFFNESS)
        gap = np.where(path == 0, APPOSED_MM, np.maximum(sub_sample(cost, path) * mm_per_sample, APPOSED_MM))
        gaps[frame], deep[frame] = _believed(gap, path, here, says[frame, :, stent:], silent)
    return gaps, deep


def _filled(stent_mm: FloatArray) -> FloatArray:
    """Frames without a curve take the nearest frame's."""
    known = np.flatnonzero(np.isfinite(stent_mm).all(axis=1))
    if len(known) == 0:
        return stent_mm
    nearest = known[np.abs(np.arange(len(stent_mm))[:, None] - known[None]).argmin(axis=1)]
    filled: FloatArray = stent_mm[nearest]
    return filled


def _smooth(picture: Floats32, rays: float, *, across: float = 0.0) -> Floats32:
    """Gaussian over rays, cyclic, and over samples; widths in rays and samples."""
    around = np.concatenate([picture[-_PAD:], picture, picture[:_PAD]])
    size = (5 if across > 0 else 1, 2 * round(2.5 * rays) + 1)
    smooth: Floats32 = cv2.GaussianBlur(around, size, sigmaX=max(across, 1e-3), sigmaY=rays)[_PAD:-_PAD]
    return smooth


def _cover(
    stent_mm: FloatArray, angle_deg: FloatArray, depth_mm: FloatArray, width_mm: float, offsets: FloatArray
) -> npt.NDArray[np.uint8]:
    """What struts do to each sample, shape (n_frames, n_angles, n_offsets)."""
    n_angles = stent_mm.shape[1]
    ray = np.round(np.nan_to_num(angle_deg) * n_angles / 360.0).astype(np.int64) % n_angles
    with np.errstate(invalid="ignore"):
        struts = np.abs(depth_mm - np.take_along_axis(stent_mm, ray, axis=1)) < _NEAR_MM
    return _cover_of(stent_mm, ray, np.nan_to_num(depth_mm), struts, width_mm, offsets)


@compiled
def _cover_of(
    stent_mm: FloatArray, ray: IntArray, depth_mm: FloatArray, struts: BoolArray, width_mm: float, offsets: FloatArray
) -> npt.NDArray[np.uint8]:
    n_frames, n_angles = stent_mm.shape
    n = len(offsets)
    step = offsets[1] - offsets[0]
    cover = np.zeros((n_frames, n_angles, n), dtype=np.uint8)
    reach = int(_LOBES_DEG * n_angles / 360.0)
    for frame in range(n_frames):
        for strut in range(ray.shape[1]):
            if not struts[frame, strut]:
                continue
            depth = depth_mm[frame, strut]
            half = 0.5 * _BEHIND_SHARE * width_mm / max(depth, 0.3) * n_angles / (2.0 * np.pi)
            for away in range(-reach, reach + 1):
                a = (ray[frame, strut] + away) % n_angles
                start = depth - _BEFORE_MM - stent_mm[frame, a] - offsets[0]
                begin = max(int(np.floor(start / step)), 0)
                end = int(np.ceil((start + _BEFORE_MM + _ECHO_SHARE * width_mm) / step)) + 1
                if abs(away) <= half:
                    for k in range(begin, n):
                        cover[frame, a, k] = _COVERED
                else:
                    for k in range(begin, min(end, n)):
                        cover[frame, a, k] = max(cover[frame, a, k], _BRIGHTENED)
    return cover


def _levels(picture: Floats32, free: BoolArray, offsets: FloatArray) -> tuple[float, float]:
    """Grey levels of blood and wall in one frame; NaN without enough to see or without contrast between them."""
    levels = []
    for (low, high), pct in ((_BLOOD_MM, _BLOOD_PCT), (_WALL_MM, _WALL_PCT)):
        part = (offsets > low) & (offsets < high)
        seen = picture[:, part][free[:, part]]
        levels.append(float(np.percentile(seen, pct)) if len(seen) > _LEAST_SAMPLES else np.nan)
    blood, wall = levels
    return (blood, wall) if wall - blood >= _LEAST_CONTRAST else (np.nan, np.nan)


def _usual(grey: Floats32, cover: npt.NDArray[np.uint8], offsets: FloatArray) -> FloatArray:
    """Usual grey at each distance behind the stent; endless where nothing is known or no media can lie."""
    usual = np.full(len(offsets), np.inf)
    for k in np.flatnonzero(offsets > _USUAL_FROM_MM):
        seen = grey[:, :, k][cover[:, :, k] == _FREE]
        if len(seen) > _LEAST_SAMPLES:
            usual[k] = np.median(seen)
    return usual


@compiled
def _votes(
    grey: Floats32, cover: npt.NDArray[np.uint8], levels: FloatArray, usual: FloatArray
) -> tuple[Floats32, BoolArray]:
    """Votes for wall (> 0) or blood (< 0), -1..1; and which samples say something."""
    n_frames, n_angles, n = grey.shape
    votes = np.zeros((n_frames, n_angles, n), dtype=np.float32)
    says = np.zeros((n_frames, n_angles, n), dtype=np.bool_)
    for frame in range(n_frames):
        blood, wall = levels[frame, 0], levels[frame, 1]
        if not np.isfinite(wall):
            continue
        for k in range(n):
            dark_is_usual = (usual[k] - blood) / (wall - blood) < _USUALLY_DARK
            for a in range(n_angles):
                votes[frame, a, k] = _UNKNOWN
                if cover[frame, a, k] == _COVERED:
                    continue
                vote = (grey[frame, a, k] - blood) / (wall - blood) - _PARTING
                if (vote < 0.0 and dark_is_usual) or (vote > 0.0 and cover[frame, a, k] == _BRIGHTENED):
                    continue
                votes[frame, a, k] = min(max(vote, -1.0), 1.0)
                says[frame, a, k] = True
    return votes, says


@compiled
def _over_frames(votes: Floats32, weights: FloatArray) -> Floats32:
    """Weighted mean over neighbouring frames; the first and the last frame go on for ever."""
    n_frames = len(votes)
    reach = len(weights) // 2
    out = np.zeros_like(votes)
    for frame in range(n_frames):
        for k in range(-reach, reach + 1):
            out[frame] += np.float32(weights[k + reach]) * votes[min(max(frame + k, 0), n_frames - 1)]
    return out


def _silent(picture: Floats32, levels: FloatArray, offsets: FloatArray) -> BoolArray:
    """Rays on which no wall comes back at all."""
    blood, wall = levels
    far = _smooth(picture, 1.5)[:, np.searchsorted(offsets, _ECHO_FROM_MM) :]
    stretch = max(int(_ECHO_MM / float(offsets[1] - offsets[0])), 1)
    silent: BoolArray = uniform_filter1d(far, stretch, axis=1).max(axis=1) < blood + _SHADOW * (wall - blood)
    return silent


def _believed(
    gap: FloatArray, path: IntArray, votes: Floats32, says: BoolArray, silent: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """The gaps in pockets that are dark, of which enough is seen, and that are not too wide; apposed elsewhere.

    A pocket so deep that it may be the mouth of a branch reads NaN in the first array, and its depth in the second.
    """
    believed, mouth = np.full_like(gap, APPOSED_MM), np.zeros(len(gap), dtype=np.bool_)
    deep = believed.copy()
    for pocket in runs_of_true(gap > _POCKET_MM):
        seen = pocket[~silent[pocket]]
        total = sum(float(votes[ray, : path[ray]].sum()) for ray in seen)
        samples = sum(int(says[ray, : path[ray]].sum()) for ray in seen)
        if len(pocket) <= _WIDEST * len(gap) and samples >= _POCKET_SAMPLES and total <= _POCKET_VOTE * samples:
            mouth[pocket] = gap[pocket].max() > _MOUTH_MM
            believed[pocket] = np.where(mouth[pocket], APPOSED_MM, gap[pocket])
            deep[pocket] = gap[pocket]
    smooth = np.where(mouth, np.nan, gaussian_filter1d(believed, 2.0, mode="wrap"))
    return smooth, gaussian_filter1d(deep, 2.0, mode="wrap")


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
