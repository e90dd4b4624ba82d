"""Contours seen along rays from a centre: radii, wall thickness, and polygons from radii.

Ray k of n points to ``360 k / n`` degrees: 0 to the right (+x), growing towards +y, measured in millimetres.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.geometry.measures import contour_centroids_px, moments, one, ragged
from boreline.model import Calibration, Contours, FloatArray, IntArray

N_RAYS = 360
_FIRST, _LAST, _INSIDE = range(3)


@compiled
def _crossings(
    xy: FloatArray, offsets: IntArray, mm_per_px: FloatArray, centres: FloatArray, n_rays: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Per polygon and ray: first crossing, last crossing and length inside, each (n, n_rays), in mm.

    An edge covers the rays between its ends, half open, so a ray through a vertex meets it once. Summing crossings
    with the sign of the edge's sense of rotation gives the length inside, however often the ray leaves and returns.
    """
    n_polygons = len(offsets) - 1
    first = np.full((n_polygons, n_rays), np.nan)
    last = np.full((n_polygons, n_rays), np.nan)
    inside = np.full((n_polygons, n_rays), np.nan)
    angles = 2.0 * np.pi * np.arange(n_rays) / n_rays
    cosines, sines = np.cos(angles), np.sin(angles)
    areas = moments(xy, offsets)
    for polygon in range(n_polygons):
        start, stop = offsets[polygon], offsets[polygon + 1]
        if stop - start < 3 or not np.isfinite(centres[polygon, 0] + centres[polygon, 1]):
            continue
        inside[polygon, :] = 0.0
        orientation = 1.0 if areas[polygon, 0] > 0.0 else -1.0
        ax = (xy[stop - 1, 0] - centres[polygon, 0]) * mm_per_px[0]
        ay = (xy[stop - 1, 1] - centres[polygon, 1]) * mm_per_px[1]
        ta = np.arctan2(ay, ax) * n_rays / (2.0 * np.pi)
        for i in range(start, stop):
            bx = (xy[i, 0] - centres[polygon, 0]) * mm_per_px[0]
            by = (xy[i, 1] - centres[polygon, 1]) * mm_per_px[1]
            tb = np.arctan2(by, bx) * n_rays / (2.0 * np.pi)
            ka, kb = int(np.ceil(ta)), int(np.ceil(tb))
            kb -= n_rays * int(np.round((tb - ta) / n_rays))
            ex, ey = bx - ax, by - ay
            numerator = ax * ey - ay * ex
            sense = orientation if kb > ka else -orientation
            for k in range(min(ka, kb), max(ka, kb)):
                ray = k % n_rays
                denominator = cosines[ray] * ey - sines[ray] * ex
                if denominator == 0.0:
                    continue
                radius = numerator / denominator
                if not first[polygon, ray] <= radius:
                    first[polygon, ray] = radius
                if not last[polygon, ray] >= radius:
                    last[polygon, ray] = radius
                inside[polygon, ray] += sense * radius
            ax, ay, ta = bx, by, tb
    return first, last, inside


def _along_rays(
    contours: Contours, calibration: Calibration, centres: FloatArray, n_rays: int, which: int
) -> FloatArray:
    """One of the three results of `_crossings` for all frames, shape (n_frames, n_rays)."""
    out = np.empty((contours.n_frames, n_rays))
    first = 0
    for xy, offsets in ragged(contours):
        part = slice(first, first + len(offsets) - 1)
        out[part] = _crossings(xy, offsets, calibration.mm_per_px, centres[part], n_rays)[which]
        first = part.stop
    return out


def contour_radii_mm(
    contours: Contours,
    calibration: Calibration,
    centres_px: FloatArray,
    n_rays: int = N_RAYS,
    *,
    outermost: bool = True,
) -> FloatArray:
    """Distance from a centre to each contour along `n_rays` rays, shape (n_frames, n_rays), in mm.

    Where a ray meets the contour more than once, the outermost crossing counts, or the first one when `outermost` is
    false. NaN where a ray misses, and in frames without a contour or a centre. `centres_px` is (n_frames, 2) or (2,).
    """
    centres = np.ascontiguousarray(np.broadcast_to(centres_px, (contours.n_frames, 2)), dtype=np.float64)
    return _along_rays(contours, calibration, centres, n_rays, _LAST if outermost else _FIRST)


def polygon_radii_mm(
    polygon_px: FloatArray,
    calibration: Calibration,
    centre_px: FloatArray | tuple[float, float],
    n_rays: int = N_RAYS,
    *,
    outermost: bool = True,
) -> FloatArray:
    """`contour_radii_mm` of one polygon, shape (n_rays,)."""
    centres = np.array(centre_px, dtype=np.float64).reshape(1, 2)
    first, last, _ = _crossings(*one(polygon_px), calibration.mm_per_px, centres, n_rays)
    radii: FloatArray = last[0] if outermost else first[0]
    return radii


def radii_polygon_px(
    radii_mm: FloatArray, calibration: Calibration, centre_px: FloatArray | tuple[float, float]
) -> FloatArray:
    """Polygons with vertices at `radii_mm` (..., n_rays) on the rays from `centre_px`: (..., n_rays, 2), in pixels.

    `centre_px` is (2,) or (..., 2). The inverse of the radii of a contour that each ray meets once.
    """
    radii = np.asarray(radii_mm, dtype=np.float64)
    angles = 2.0 * np.pi * np.arange(radii.shape[-1]) / radii.shape[-1]
    directions: FloatArray = np.stack([np.cos(angles), np.sin(angles)], axis=-1) / calibration.mm_per_px
    polygons: FloatArray = radii[..., None] * directions + np.asarray(centre_px, dtype=np.float64)[..., None, :]
    return polygons


def wall_thickness_mm(
    lumen: Contours, eem: Contours, calibration: Calibration, n_rays: int = N_RAYS
) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest thickness of plaque plus media per frame: two arrays (n_frames,), in mm.

    Thickness is the length of wall (inside the EEM, outside the lumen) along a ray from the lumen's centre of mass.
    NaN in frames that lack either contour; negative where the contours are crossed.
    """
    centres = contour_centroids_px(lumen)
    inside = [_along_rays(c, calibration, centres, n_rays, _INSIDE) for c in (lumen, eem)]
    thickness = inside[1] - inside[0]
    return thickness.min(axis=1), thickness.max(axis=1)
