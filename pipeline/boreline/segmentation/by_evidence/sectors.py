"""Runs of rays to angle ranges about the lumen's centre of mass."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from boreline.model import BoolArray, FloatArray, SectorKind, Sectors


def ray_runs(rays: BoolArray) -> Iterator[tuple[int, int]]:
    """Cyclic runs of true rays as (first, length)."""
    n = len(rays)
    if rays.all():
        yield 0, n
        return
    starts = np.flatnonzero(rays & ~np.roll(rays, 1))
    for start in starts.tolist():
        length = 1
        while rays[(start + length) % n]:
            length += 1
        yield start, length


def angles_about_deg(radii_mm: FloatArray, centre_mm: FloatArray) -> FloatArray:
    """Direction of each border point about a centre (x, y from the catheter), 0..360, shape (n_rays,)."""
    angle = 2.0 * np.pi * np.arange(len(radii_mm)) / len(radii_mm)
    x, y = radii_mm * np.cos(angle) - centre_mm[0], radii_mm * np.sin(angle) - centre_mm[1]
    return np.degrees(np.arctan2(y, x)) % 360.0


def swept_deg(angles_deg: FloatArray, rays: BoolArray) -> float:
    """Angle about the centre that the given rays cover together."""
    step = (np.roll(angles_deg, -1) - angles_deg + 180.0) % 360.0 - 180.0
    share = 0.5 * (rays.astype(np.float64) + np.roll(rays, -1))
    return float(np.clip((step * share).sum(), 0.0, 360.0))


def frame_sectors(
    frame: int, kind: SectorKind, rays: BoolArray, angles_deg: FloatArray, depth_mm: FloatArray | None = None
) -> Iterator[tuple[int, SectorKind, float, float, float]]:
    """The sectors of one frame and kind; `depth_mm` per ray from the centre, its smallest value per sector is kept."""
    n = len(rays)
    for first, length in ray_runs(rays):
        start = float(angles_deg[first])
        span = float((angles_deg[(first + length - 1) % n] - start) % 360.0) if length < n else 360.0
        depth = np.nan if depth_mm is None else float(np.min(depth_mm[np.arange(first, first + length) % n]))
        yield frame, kind, start, start + max(span, 360.0 / n), depth


def pack_sectors(rows: list[tuple[int, SectorKind, float, float, float]]) -> Sectors:
    """Rows to the record, sorted by frame."""
    if not rows:
        return Sectors.empty()
    rows = sorted(rows, key=lambda row: (row[0], row[1].value, row[2]))
    frame, kind, start, end, depth = zip(*rows, strict=True)
    return Sectors(np.array(frame, dtype=np.int64), tuple(kind), np.array(start), np.array(end), np.array(depth))
