"""What lies in, behind and around the borders: stent, calcium, attenuated plaque, frames that are not vessel.

Two steps, so that memory stays flat: `observe` looks at the pixels of one block and keeps a few numbers per ray;
`find_secondary` judges the whole run from those numbers and the borders; `with_secondary` writes what was found
into the segmentation (`apposition` measures how far struts stand off the wall in between). Any segmenter whose
borders are radii about the transducer can use them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from boreline.flags import Flag
from boreline.geometry import contour_centroids_px, contour_radii_mm, radii_polygon_px
from boreline.model import BoolArray, Contours, FloatArray, SectorKind, Segmentation, Structure
from boreline.segmentation.arcs import join_sectors
from boreline.segmentation.calcium import CalciumFindings, WallEchoes, find_calcium, in_shadow, wall_echoes
from boreline.segmentation.guidewire import wire_rays
from boreline.segmentation.not_vessel import NotVessel, find_not_vessel
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.stent import StentFindings, brightest_speckle, find_stent, strut_level
from boreline.segmentation.struts import StrutCandidates, find_candidates

MALAPPOSED_MM = 0.2
"""A strut farther than this from the wall is reported as malapposed: about twice a strut's thickness or resolution."""
_OUTWARD_MM = 0.4
_BRIGHT_PCT = 85
_CHUNK_FRAMES = 250


@dataclass(frozen=True, slots=True)
class Observations:
    """What is kept of the pixels of consecutive frames; a few kilobytes per frame."""

    candidates: StrutCandidates
    echoes: WallEchoes
    speckle_peaks: FloatArray


@dataclass(frozen=True, slots=True)
class Secondary:
    """What was found in a run; `centre_mm` is the lumen's centre of mass from the transducer, NaN without a lumen."""

    centre_mm: FloatArray
    candidates: StrutCandidates
    stent: StentFindings
    calcium: CalciumFindings
    not_vessel: NotVessel


@dataclass(frozen=True, slots=True)
class Apposition:
    """Stented frames; NaN elsewhere.

    Attributes
    ----------
    lumen_mm
        Shape (n_frames, n_rays): the lumen border behind the struts, about the transducer.
    distance_mm
        Shape (n_frames,): largest distance of a strut from the wall, not over a side branch or behind a guidewire; NaN
        where it cannot be told.
    """

    lumen_mm: npt.NDArray[np.float32]
    distance_mm: FloatArray


def observe(
    pictures: npt.NDArray[np.uint8],
    lumen_mm: npt.NDArray[np.floating],
    eem_mm: npt.NDArray[np.floating],
    *,
    halo_mm: float,
    mm_per_sample: float,
    strut_lag_mm: float = 0.0,
) -> Observations:
    """Look at one block of pictures (n_frames, n_angles, n_samples) and its borders (n_frames, n_rays).

    There may be fewer rays than angles: struts are looked for at all angles, what lies behind the wall on the rays.
    `strut_lag_mm`: how far a strut lies behind the rise of its echo.
    """
    step = pictures.shape[1] // lumen_mm.shape[1]
    lumen, eem = lumen_mm.astype(np.float64), eem_mm.astype(np.float64)
    border = np.repeat(lumen, step, axis=1)
    from_mm = np.where(np.isfinite(border), halo_mm, np.nan)
    counts = np.bincount(pictures[:, ::4, int(halo_mm / mm_per_sample) :: 2].ravel(), minlength=256)
    bright = float(np.searchsorted(np.cumsum(counts), _BRIGHT_PCT / 100.0 * counts.sum()))
    middle = slice(len(pictures) // 2, len(pictures) // 2 + 1)
    candidates = find_candidates(pictures, from_mm, border + _OUTWARD_MM, mm_per_sample, bright)
    return Observations(
        replace(candidates, depth_mm=candidates.depth_mm + strut_lag_mm),
        wall_echoes(pictures[:, ::step], lumen, eem, mm_per_sample, halo_mm),
        brightest_speckle(pictures[middle], border[middle], mm_per_sample),
    )


def find_secondary(
    seen: Observations,
    lumen_mm: npt.NDArray[np.floating],
    eem_mm: npt.NDArray[np.floating],
    *,
    narrow_shadow: BoolArray,
    branch: BoolArray,
    sampler: PolarSampler,
) -> Secondary:
    """Judge a run. All arrays (n_frames, n_rays), about the transducer; EEM NaN where it is not known.

    `narrow_shadow`: rays whose lumen was bridged across a narrow shadow, of a guidewire or of something else.
    """
    wire = wire_rays(seen.echoes.before, narrow_shadow | in_shadow(seen.echoes))
    centre, about = _about_centre(lumen_mm, sampler)
    not_vessel = find_not_vessel(about, seen.echoes, wire)
    away = (not_vessel.in_guide | not_vessel.outside)[:, None]
    calcium = find_calcium(
        seen.echoes,
        np.where(away, np.float32(np.nan), lumen_mm),
        eem_mm,
        centre,
        wire,
        branch | away,
    )
    stent = find_stent(
        seen.candidates,
        np.where(away, np.float32(np.nan), about),
        centre,
        wire,
        calcium.calcified,
        strut_level(seen.speckle_peaks),
    )
    return Secondary(centre, seen.candidates, stent, calcium, not_vessel)


def with_secondary(
    segmentation: Segmentation, found: Secondary, apposition: Apposition, sampler: PolarSampler
) -> Segmentation:
    """The segmentation with the findings written in; contours of lumen and EEM are left as they are."""
    stent, calcium = found.stent, found.calcium
    flags = []
    for frame, words in enumerate(segmentation.flags):
        added = {
            Flag.IN_GUIDE: found.not_vessel.in_guide[frame],
            Flag.OUTSIDE_VESSEL: found.not_vessel.outside[frame],
            Flag.STENT: stent.present[frame],
            Flag.MALAPPOSED: apposition.distance_mm[frame] > MALAPPOSED_MM,
        }
        flags.append(words | {flag for flag, here in added.items() if here})
    return replace(
        segmentation,
        contours={**segmentation.contours, Structure.STENT: stent_contours(found, sampler)},
        sectors=join_sectors(
            [
                segmentation.sectors,
                calcium.calcium.sectors(SectorKind.CALCIUM),
                calcium.attenuated.sectors(SectorKind.ATTENUATED),
                stent.struts,
            ]
        ),
        confidence={**segmentation.confidence, Structure.STENT: stent.confidence},
        area_sd_mm2={**segmentation.area_sd_mm2, Structure.STENT: stent.area_sd_mm2},
        calcium_arc_deg=calcium.arc_deg,
        malapposition_mm=apposition.distance_mm,
        flags=tuple(frozenset(words) for words in flags),
        learnt={**segmentation.learnt, **calcium.learnt, **stent.learnt},
    )


def _about_centre(
    lumen_mm: npt.NDArray[np.floating], sampler: PolarSampler
) -> tuple[FloatArray, npt.NDArray[np.float32]]:
    """Centre of mass (x, y) in mm from the transducer, and the radii about it; NaN without a lumen."""
    grid = sampler.grid
    n_frames, n_rays = lumen_mm.shape
    centre_px = np.full((n_frames, 2), np.nan)
    about_mm = np.full((n_frames, n_rays), np.nan, dtype=np.float32)
    for first in range(0, n_frames, _CHUNK_FRAMES):
        part = slice(first, first + _CHUNK_FRAMES)
        present: BoolArray = np.asarray(np.isfinite(lumen_mm[part]).all(axis=1))
        polygons = radii_polygon_px(lumen_mm[part][present].astype(np.float64), grid.calibration, grid.centre_px)
        contours = _packed(Structure.LUMEN, polygons, np.ones(polygons.shape[:2], dtype=np.bool_), present)
        centre_px[part] = contour_centroids_px(contours)
        about_mm[part] = contour_radii_mm(contours, grid.calibration, centre_px[part], n_rays)
    return (centre_px - np.array(grid.centre_px)) * grid.calibration.mm_per_px, about_mm


def stent_contours(found: Secondary, sampler: PolarSampler, part: slice = slice(None)) -> Contours:
    """The stent contours of the frames `part`; a vertex is seen where a strut is near."""
    grid, here = sampler.grid, found.stent.present[part]
    centre_px = np.array(grid.centre_px) + found.stent.centre_mm[part][here] / grid.calibration.mm_per_px
    polygons = radii_polygon_px(found.stent.radii_mm[part][here], grid.calibration, centre_px)
    return _packed(Structure.STENT, polygons, found.stent.seen[part][here], here)


def _packed(structure: Structure, polygons: FloatArray, seen: BoolArray, present: BoolArray) -> Contours:
    """Contours of the frames that are `present`, all of as many vertices: (n, n_vertices, 2) and (n, n_vertices)."""
    n = seen.size
    offsets = np.concatenate([[0], np.cumsum(np.where(present, seen.shape[1], 0))]).astype(np.int64)
    xy_px = polygons.reshape(n, 2).astype(np.float32)
    return Contours(structure, offsets, xy_px, seen.reshape(n), np.zeros(n, dtype=np.uint8))
