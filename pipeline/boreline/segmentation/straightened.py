"""Pictures of stented frames, straightened along the stent's curve, and what their struts leave to be seen.

Struts outshine the wall and smear sideways, so a border that is looked for without knowing of them runs along their
echoes. Here the stent's curve and its struts are known, and what the struts themselves cover is set aside. At a strut's
own range its side lobes only ever brighten, so that darkness still counts there and brightness does not; straight
behind a strut lie its reverberations and its shadow, and nothing counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray

Floats32 = npt.NDArray[np.float32]

FREE, BRIGHTENED, COVERED = 0, 1, 2
"""What struts do to a sample: nothing, side lobes, or all that is seen there is theirs."""
LEAST_SAMPLES = 50
_INSIDE_MM, _BEYOND_MM = 0.4, 1.3
_NEAR_MM = 0.3
"""A bright dot this near the curve is a strut or as bad as one."""
_BEFORE_MM, _ECHO_SHARE = 0.06, 0.4  # a strut's echo: from before its leading edge, to this share of its width behind
_LOBES_DEG = 30.0
_BEHIND_SHARE = 0.8  # of a strut's width: what lies straight behind it
BLOOD_MM, _WALL_MM = (-0.4, -0.16), (0.1, 0.4)
_BLOOD_PCT, _WALL_PCT = 45, 70  # side lobes brighten blood, a thin wall leaves room for the media
_LEAST_CONTRAST = 12.0  # grey levels between blood and wall, below which nothing is said
_ECHO_FROM_MM, _ECHO_MM, _SHADOW = 0.3, 0.25, 0.4
"""A ray with no stretch of wall, from where a strut's own echo has faded, even this share as bright as usual."""
_FRAME_WEIGHTS = (0.054, 0.242, 0.399, 0.242, 0.054)  # of a normal curve, one frame wide
_PAD = 8  # rays repeated on both sides, so that filters go round


@dataclass(frozen=True, slots=True)
class Straightened:
    """Consecutive stented frames, straightened.

    Attributes
    ----------
    grey
        Shape (n_frames, n_angles, n_offsets), smoothed a little.
    cover
        The same shape: `FREE`, `BRIGHTENED` or `COVERED`.
    blood, wall
        Shape (n_frames,): usual grey levels of the blood inside the stent and of the wall behind it.
    usable
        Shape (n_frames,): there are a curve and both levels.
    silent
        Shape (n_frames, n_angles): behind a guidewire, or no wall comes back at all.
    offsets_mm
        Shape (n_offsets,): from the stent's curve outwards.
    """

    grey: Floats32
    cover: npt.NDArray[np.uint8]
    blood: FloatArray
    wall: FloatArray
    usable: BoolArray
    silent: BoolArray
    offsets_mm: FloatArray

    @property
    def stent(self) -> int:
        """Index of the offset 0."""
        return int(np.argmin(np.abs(self.offsets_mm)))

    @property
    def step_mm(self) -> float:
        """Distance between offsets."""
        return float(self.offsets_mm[1] - self.offsets_mm[0])

    @property
    def share(self) -> Floats32:
        """Grey as the share of the way from blood to wall; 0 in frames that are not usable."""
        blood = np.where(self.usable, self.blood, 0.0).astype(np.float32)[:, None, None]
        wall = np.where(self.usable, self.wall, 1.0).astype(np.float32)[:, None, None]
        share: Floats32 = (self.grey - blood) / (wall - blood)
        share[~self.usable] = 0.0
        return share


def straighten(
    pictures: npt.NDArray[np.uint8],
    stent_mm: FloatArray,
    hidden: BoolArray,
    angle_deg: FloatArray,
    depth_mm: FloatArray,
    strut_width_mm: float,
    mm_per_sample: float,
) -> Straightened:
    """Straighten pictures along the stent's curve.

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
    straight = _straightened(pictures, filled / mm_per_sample, first, count)
    grey = np.stack([smooth_rays(picture, 1.0, across=1.0) for picture in np.nan_to_num(straight)])
    cover = _cover(filled, angle_deg, depth_mm, strut_width_mm, offsets)
    cover[hidden] = COVERED
    cover[~known] = COVERED
    levels = [_levels(picture, here == FREE, offsets) for picture, here in zip(grey, cover, strict=True)]
    blood, wall = np.array(levels).T
    usable = known & np.isfinite(blood)
    silent = hidden.copy()
    for frame in np.flatnonzero(usable):
        silent[frame] |= _silent(grey[frame], blood[frame], wall[frame], offsets)
    return Straightened(grey, cover, blood, wall, usable, silent, offsets)


@compiled
def _straightened(pictures: npt.NDArray[np.uint8], curve: FloatArray, first: int, count: int) -> Floats32:
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


def _filled(stent_mm: FloatArray) -> FloatArray:
    """Frames without a curve take the nearest frame's."""
    known = np.flatnonzero(np.isfinite(stent_mm).all(axis=1))
    if len(known) == 0:
        return stent_mm
    nearest = known[np.abs(np.arange(len(stent_mm))[:, None] - known[None]).argmin(axis=1)]
    filled: FloatArray = stent_mm[nearest]
    return filled


def smooth_rays(picture: Floats32, rays: float, *, across: float = 0.0) -> Floats32:
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
                        cover[frame, a, k] = COVERED
                else:
                    for k in range(begin, min(end, n)):
                        cover[frame, a, k] = max(cover[frame, a, k], BRIGHTENED)
    return cover


def _levels(picture: Floats32, free: BoolArray, offsets: FloatArray) -> tuple[float, float]:
    """Grey levels of blood and wall in one frame; NaN without enough to see or without contrast between them."""
    levels = []
    for (low, high), pct in ((BLOOD_MM, _BLOOD_PCT), (_WALL_MM, _WALL_PCT)):
        part = (offsets > low) & (offsets < high)
        seen = picture[:, part][free[:, part]]
        levels.append(float(np.percentile(seen, pct)) if len(seen) > LEAST_SAMPLES else np.nan)
    blood, wall = levels
    return (blood, wall) if wall - blood >= _LEAST_CONTRAST else (np.nan, np.nan)


def over_frames(values: Floats32, usable: BoolArray) -> Floats32:
    """Weighted mean over neighbouring frames that are usable; zero in frames far from any."""
    return _over_frames(values, usable, np.array(_FRAME_WEIGHTS))


@compiled
def _over_frames(values: Floats32, usable: BoolArray, weights: FloatArray) -> Floats32:
    n_frames = len(values)
    reach = len(weights) // 2
    out = np.zeros_like(values)
    for frame in range(n_frames):
        total = 0.0
        for near in range(max(frame - reach, 0), min(frame + reach + 1, n_frames)):
            if usable[near]:
                weight = weights[near - frame + reach]
                out[frame] += np.float32(weight) * values[near]
                total += weight
        if total > 0.0:
            out[frame] /= np.float32(total)
    return out


def _silent(picture: Floats32, blood: float, wall: float, offsets: FloatArray) -> BoolArray:
    """Rays on which no wall comes back at all."""
    far = smooth_rays(picture, 1.5)[:, np.searchsorted(offsets, _ECHO_FROM_MM) :]
    stretch = max(int(_ECHO_MM / float(offsets[1] - offsets[0])), 1)
    silent: BoolArray = uniform_filter1d(far, stretch, axis=1).max(axis=1) < blood + _SHADOW * (wall - blood)
    return silent
