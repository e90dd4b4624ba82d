"""Runs of rays as arcs, and arcs as sectors about the lumen's centre of mass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray, SectorKind, Sectors


@dataclass(frozen=True, slots=True)
class Arcs:
    """Angle ranges over a run, one row each, sorted by frame; ``start_deg < end_deg <= start_deg + 360``.

    `depth_mm` is the distance to the leading edge from the same apex as the angles.
    """

    frame: IntArray
    start_deg: FloatArray
    end_deg: FloatArray
    depth_mm: FloatArray

    def per_frame_deg(self, n_frames: int) -> FloatArray:
        """Sum of the arcs of each frame, shape (n_frames,), at most 360."""
        return np.minimum(np.bincount(self.frame, self.end_deg - self.start_deg, minlength=n_frames), 360.0)

    def sectors(self, kind: SectorKind) -> Sectors:
        """The arcs as sectors of one kind."""
        return Sectors(self.frame, (kind,) * len(self.frame), self.start_deg, self.end_deg, self.depth_mm)


@compiled
def close_and_drop(mask: BoolArray, gap: int, least: int) -> BoolArray:
    """Per row (cyclic): close gaps of up to `gap` rays, then drop runs shorter than `least` rays."""
    out = mask.copy()
    n_rows, n = mask.shape
    for row in range(n_rows):
        for fill, limit in ((True, gap), (False, least - 1)):
            start = -1
            for a in range(n):
                if out[row, a] == fill and out[row, a - 1] != fill:
                    start = a
                    break
            if start < 0:
                continue
            length = 0
            for step in range(n + 1):
                a = (start + step) % n
                if step < n and out[row, a] != fill:
                    length += 1
                elif length > 0:
                    if length <= limit:
                        for back in range(1, length + 1):
                            out[row, (start + step - back) % n] = fill
                    length = 0
    return out


@compiled
def grow(seed: BoolArray, allowed: BoolArray, reach: int) -> BoolArray:
    """Per row (cyclic): the runs of `seed`, continued on both sides over at most `reach` rays that are `allowed`."""
    out = seed.copy()
    n_rows, n = seed.shape
    for row in range(n_rows):
        for a in range(n):
            if not seed[row, a]:
                continue
            for side in (-1, 1):
                for step in range(1, reach + 1):
                    b = (a + side * step) % n
                    if seed[row, b] or not allowed[row, b]:
                        break
                    out[row, b] = True
    return out


@compiled
def runs_of(mask: BoolArray) -> IntArray:
    """Rows of (row, first ray, number of rays) of the cyclic runs of true."""
    n_rows, n = mask.shape
    total = 0
    for row in range(n_rows):
        whole = True
        for a in range(n):
            if mask[row, a] and not mask[row, a - 1]:
                total += 1
            whole = whole and mask[row, a]
        if whole:
            total += 1
    out = np.empty((total, 3), dtype=np.int64)
    k = 0
    for row in range(n_rows):
        before = k
        for a in range(n):
            if mask[row, a] and not mask[row, a - 1]:
                length = 0
                while length < n and mask[row, (a + length) % n]:
                    length += 1
                out[k, 0], out[k, 1], out[k, 2] = row, a, length
                k += 1
        if k == before and mask[row, 0]:
            out[k, 0], out[k, 1], out[k, 2] = row, 0, n
            k += 1
    return out


def arcs_of(mask: BoolArray, depth_mm: npt.NDArray[np.floating], centre_mm: FloatArray) -> Arcs:
    """The runs of true rays as arcs about `centre_mm`.

    Parameters
    ----------
    mask
        Shape (n_frames, n_angles): rays about the transducer.
    depth_mm
        The same shape: leading edge on each ray; the arc's ends are seen from the new apex at these depths.
    centre_mm
        Shape (n_frames, 2): the apex (x, y) in mm from the transducer.
    """
    n = mask.shape[1]
    runs = runs_of(mask)
    frame, first, count = runs[:, 0], runs[:, 1], runs[:, 2]
    # A ray stands for the angle half-way to its neighbours.
    start = np.radians((first - 0.5) * 360.0 / n)
    stop = np.radians((first + count - 0.5) * 360.0 / n)
    last = (first + count - 1) % n
    depth = np.array([_median(depth_mm[f, (a + np.arange(c)) % n]) for f, a, c in runs], dtype=np.float64)
    ends = [(start, depth_mm[frame, first].astype(np.float64)), (stop, depth_mm[frame, last].astype(np.float64))]
    seen = [np.where(np.isfinite(d), d, depth) for _, d in ends]
    angles = [_from(centre_mm[frame], angle, d)[0] for (angle, _), d in zip(ends, seen, strict=True)]
    start_deg = np.mod(angles[0], 360.0)
    end_deg = start_deg + np.mod(angles[1] - angles[0], 360.0)
    whole = count == n
    end_deg = np.where(whole, start_deg + 360.0, end_deg)
    middle = 0.5 * (start + stop)
    distance = _from(centre_mm[frame], middle, depth)[1]
    return Arcs(frame, start_deg, end_deg, distance)


def _from(centre: FloatArray, angle: FloatArray, depth: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle in degrees and distance of polar points seen from another centre."""
    x = depth * np.cos(angle) - centre[:, 0]
    y = depth * np.sin(angle) - centre[:, 1]
    return np.degrees(np.arctan2(y, x)), np.hypot(x, y)


def _median(values: npt.NDArray[np.floating]) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else np.nan


def join_sectors(parts: list[Sectors]) -> Sectors:
    """Several lists of sectors as one, sorted by frame and start."""
    frame = np.concatenate([part.frame for part in parts])
    start = np.concatenate([part.start_deg for part in parts])
    kind = [kind for part in parts for kind in part.kind]
    order = np.lexsort((start, frame))
    return Sectors(
        frame[order].astype(np.int64),
        tuple(kind[i] for i in order),
        start[order],
        np.concatenate([part.end_deg for part in parts])[order],
        np.concatenate([part.depth_mm for part in parts])[order],
    )
