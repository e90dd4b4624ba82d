"""Candidates for stent struts in one block of polar pictures.

A strut is a dot, brighter than what lies beside it at the same depth, no wider than the beam, with a short shadow. The
wall is bright too, but all along; calcium is bright and wide. So a candidate is a local maximum that stands out
*sideways*; how far it must stand out is learnt from the run, from the same dots of speckle outside the vessel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import FloatArray

N_CANDIDATES = 32
"""Most candidates kept per frame."""
_COLUMNS = 6  # angle, depth, peak, contrast, shadow, width
_BEAM_MM = 0.2
_REACH_MM = 0.7
_RISE = 0.92  # of grey: strut echoes clip the display, and begin close below where they clip
_LEAST_CONTRAST = 6.0  # grey levels, only to keep the list short


@dataclass(frozen=True, slots=True)
class StrutCandidates:
    """Bright dots per frame, arrays of shape (n_frames, N_CANDIDATES), NaN where there are fewer.

    `angle_deg` and `depth_mm` are polar about the transducer (depth of the leading edge); `peak` is the grey level,
    `contrast` how far it exceeds both sides at the same depth, `shadow` how far the sides exceed it behind,
    `width_deg` the angle over which it stays within half the contrast.
    """

    angle_deg: FloatArray
    depth_mm: FloatArray
    peak: FloatArray
    contrast: FloatArray
    shadow: FloatArray
    width_deg: FloatArray

    @property
    def n_frames(self) -> int:
        """Frames looked at."""
        return len(self.angle_deg)


def find_candidates(
    block: npt.NDArray[np.uint8], from_mm: FloatArray, to_mm: FloatArray, mm_per_sample: float, least_level: float
) -> StrutCandidates:
    """Bright dots between two depths.

    Parameters
    ----------
    block
        Shape (n_frames, n_angles, n_samples); sample i lies ``i * mm_per_sample`` from the transducer.
    from_mm, to_mm
        Shape (n_frames, n_angles): where to look on each ray; nothing where NaN.
    least_level
        Grey level below which nothing is a strut, for example the usual level of the wall.
    """
    n_samples = block.shape[2]
    first = np.nan_to_num(np.ceil(from_mm / mm_per_sample), nan=n_samples).clip(2, n_samples - 3).astype(np.int64)
    last = np.nan_to_num(np.floor(to_mm / mm_per_sample), nan=0).clip(0, n_samples - 3).astype(np.int64)
    found = _candidates(block, first, last, mm_per_sample, least_level)
    return StrutCandidates(*np.moveaxis(found, -1, 0))


@compiled
def _candidates(
    block: npt.NDArray[np.uint8],
    first: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    mm_per_sample: float,
    least_level: float,
) -> FloatArray:
    n_frames, n_angles, n_samples = block.shape
    out = np.full((n_frames, N_CANDIDATES, _COLUMNS), np.nan)
    smooth = np.zeros((n_angles, n_samples), dtype=np.float32)
    rows = np.zeros((n_angles, n_samples), dtype=np.float32)
    radial = max(int(np.round(0.12 / mm_per_sample)), 2)
    for frame in range(n_frames):
        picture = block[frame]
        lowest, highest = n_samples, 0
        for a in range(n_angles):
            if last[frame, a] > first[frame, a]:
                lowest, highest = min(lowest, first[frame, a]), max(highest, last[frame, a])
        if highest <= lowest:
            continue
        begin = max(lowest - radial - 1, 1)
        end = min(highest + radial + 2, n_samples - 1)
        # On slices from 0 on, so that the loops run on whole registers.
        for a in range(n_angles):
            ray, row = picture[a, begin - 1 : end + 1], rows[a, begin:end]
            for j in range(len(row)):
                row[j] = np.float32(ray[j]) + np.float32(2) * np.float32(ray[j + 1]) + np.float32(ray[j + 2])
        for a in range(n_angles):
            before, here, after = rows[a - 1, begin:end], rows[a, begin:end], rows[(a + 1) % n_angles, begin:end]
            row = smooth[a, begin:end]
            for j in range(len(row)):
                row[j] = (before[j] + np.float32(2) * here[j] + after[j]) * np.float32(1 / 16)
        count = 0
        for a in range(n_angles):
            for d in range(max(first[frame, a], begin + 1), min(last[frame, a], end - 2) + 1):
                value = smooth[a, d]
                if value < least_level:
                    continue
                before, after = smooth[(a - 1) % n_angles, d], smooth[(a + 1) % n_angles, d]
                if value <= smooth[a, d - 1] or value < smooth[a, d + 1] or value <= before or value < after:
                    continue
                half = min(max(_BEAM_MM / (d * mm_per_sample) * n_angles / (2 * np.pi), 2.0), n_angles / 16)
                near, far = int(np.ceil(1.2 * half)), int(np.ceil(2.6 * half))
                left, right = 0.0, 0.0
                for k in range(near, far + 1):
                    left += smooth[(a - k) % n_angles, d]
                    right += smooth[(a + k) % n_angles, d]
                contrast = value - max(left, right) / (far - near + 1)
                if contrast < _LEAST_CONTRAST:
                    continue
                highest_near = True
                for k in range(-near, near + 1):
                    row = (a + k) % n_angles
                    for e in range(max(d - radial, begin), min(d + radial + 1, end)):
                        if smooth[row, e] > value:
                            highest_near = False
                if not highest_near:
                    continue
                slot = count
                if count == N_CANDIDATES:
                    slot = 0
                    for other in range(1, N_CANDIDATES):
                        if out[frame, other, 3] < out[frame, slot, 3]:
                            slot = other
                    if out[frame, slot, 3] >= contrast:
                        continue
                else:
                    count += 1
                _describe(out[frame, slot], picture, smooth, a, d, contrast, near, far, radial, mm_per_sample)
    return out


@compiled
def _leading_edge(picture: npt.NDArray[np.uint8], a: int, d: int, radial: int) -> float:
    """Sample at which the echo has risen by `_RISE`, from what lies in front up to its peak."""
    n_angles = len(picture)
    before, after = (a - 1) % n_angles, (a + 1) % n_angles
    peak, lowest = 0, 1000
    wanted = 0.0
    top = d
    for e in range(max(d - 2 * radial, 0), d + 1):
        level = int(picture[before, e]) + int(picture[a, e]) + int(picture[after, e])
        lowest = min(lowest, level)
        if level > peak:
            peak, top = level, e
    wanted = lowest + _RISE * (peak - lowest)
    above = float(peak)
    for e in range(top - 1, -1, -1):
        here = float(int(picture[before, e]) + int(picture[a, e]) + int(picture[after, e]))
        if here < wanted:
            return e + (wanted - here) / max(above - here, 1e-6)
        above = here
    return float(top)


@compiled
def _describe(
    row: FloatArray,
    picture: npt.NDArray[np.uint8],
    smooth: npt.NDArray[np.float32],
    a: int,
    d: int,
    contrast: float,
    near: int,
    far: int,
    radial: int,
    mm_per_sample: float,
) -> None:
    """Fill one candidate: sub-sample place, shadow and width."""
    n_angles, n_samples = picture.shape
    value = smooth[a, d]
    floor = value - 0.5 * contrast
    width = 1
    sideways = 0.0
    heights = value - floor
    for side in (-1, 1):
        k = 1
        while k < n_angles // 8 and smooth[(a + side * k) % n_angles, d] > floor:
            weight = smooth[(a + side * k) % n_angles, d] - floor
            sideways += side * k * weight
            heights += weight
            width += 1
            k += 1
    from_sample = d + int(np.round(0.15 / mm_per_sample))
    to_sample = min(from_sample + int(np.round(_REACH_MM / mm_per_sample)), n_samples)
    behind, beside, n = 0.0, 0.0, 0
    for e in range(from_sample, to_sample):
        for k in range(-1, 2):
            behind += picture[(a + k) % n_angles, e]
        beside += 1.5 * (float(picture[(a - far) % n_angles, e]) + float(picture[(a + far) % n_angles, e]))
        n += 3
    row[0] = (a + sideways / heights) * 360.0 / n_angles
    row[1] = _leading_edge(picture, a, d, radial) * mm_per_sample
    row[2] = value
    row[3] = contrast
    row[4] = (beside - behind) / n if n > 0 else np.nan
    row[5] = width * 360.0 / n_angles
