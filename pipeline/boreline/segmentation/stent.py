"""The stent of a run: where it begins and ends, and its closed contour.

Bright dots alone do not make a stent: calcium and the wall sparkle too. A stent is a *ring* of dots brighter than the
brightest speckle of this run, spread around the vessel, in many consecutive frames. Only there is a curve fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from boreline.model import BoolArray, FloatArray, SectorKind, Sectors
from boreline.segmentation.stent_fit import StentCurves, fit_stent_curves, ring_centres_mm
from boreline.segmentation.stretches import likely_stretches
from boreline.segmentation.struts import StrutCandidates, find_candidates

_OCTANTS = 8
_SEEN_IN_STENT = 0.55  # chance that an octant of a stented frame shows a strut
_SEEN_ELSEWHERE = 0.18  # chance that an octant of another frame sparkles as brightly
_CHANGE_COST = 8.0
_LEAST_FRAMES = 2
_SCATTER_OF_TEN_DOTS_MM = 0.1
"""Largest scatter about the curves where frames show ten dots; for others it goes with the square of their number.
Struts lie on a smooth curve, sparkle does not; but of few dots any do. Half the axial resolution at 40 MHz for six."""
_PLAIN_CONTRAST, _MOST_DOTS = 55.0, 15.0
_FEWEST_DOTS, _WHITE, _WHITE_PCT = 7.0, 247.0, 10
"""Where the gain is high, speckle of the wall makes rings too. A ring whose dots stand out sideways by as many levels
is one of struts; another only where as many dots as a stent shows are white, and not more than any has (tuning)."""
_WIDEST_MM = 0.8
_NEAR_STRUT_DEG = 25.0
_ON_RING = 0.05  # weight in the fit


@dataclass(frozen=True, slots=True)
class StentFindings:
    """What is known of the stent; frames without one are NaN or false.

    Attributes
    ----------
    present
        Shape (n_frames,).
    centre_mm
        Shape (n_frames, 2): centre of the ring of struts (x, y) from the transducer.
    radii_mm
        Shape (n_frames, n_rays): the contour about that centre.
    seen
        The same shape: a strut lies within a few degrees (else the curve is interpolated).
    area_mm2, area_sd_mm2, confidence
        Shape (n_frames,).
    on_ring
        Shape (n_frames, n_candidates): the candidate is a strut of this stent.
    struts
        One sector per strut, of the width of its echo; apex at the centre of mass of the lumen.
    learnt
        Numbers for the record.
    """

    present: BoolArray
    centre_mm: FloatArray
    radii_mm: FloatArray
    seen: BoolArray
    area_mm2: FloatArray
    area_sd_mm2: FloatArray
    confidence: FloatArray
    on_ring: BoolArray
    struts: Sectors
    learnt: dict[str, float]


def brightest_speckle(block: npt.NDArray[np.uint8], lumen_mm: FloatArray, mm_per_sample: float) -> FloatArray:
    """Grey levels of the bright dots of ordinary speckle well behind the lumen border, shape (n,)."""
    dots = find_candidates(block, lumen_mm + 0.6, lumen_mm + 1.6, mm_per_sample, 0.0)
    return dots.peak[np.isfinite(dots.peak)]


def strut_level(speckle_peaks: FloatArray) -> float:
    """The level above which a dot is brighter than this run's speckle: half-way from its brightest dots to white."""
    if len(speckle_peaks) < 20:
        return 250.0
    return float(min(0.5 * (np.percentile(speckle_peaks, 97) + 255.0), 253.0))


def find_stent(
    candidates: StrutCandidates,
    lumen_mm: npt.NDArray[np.floating],
    centre_mm: FloatArray,
    hidden: BoolArray,
    calcified: BoolArray,
    level: float,
) -> StentFindings:
    """Find the stent of a run.

    Parameters
    ----------
    candidates
        From `find_candidates`, about the transducer.
    lumen_mm
        Shape (n_frames, n_rays): lumen radii about its own centre of mass; NaN without a lumen.
    centre_mm
        Shape (n_frames, 2): that centre (x, y) from the transducer.
    hidden, calcified
        Shape (n_frames, n_angles), rays about the transducer: behind the guidewire; calcium.
    level
        From `strut_level`.
    """
    n_frames, n_rays = lumen_mm.shape
    angle, radius = _about_centre(candidates, centre_mm)
    row = np.arange(n_frames)[:, None]
    ray = np.round(np.nan_to_num(candidates.angle_deg) * hidden.shape[1] / 360.0).astype(np.int64) % hidden.shape[1]
    width_mm = np.radians(candidates.width_deg) * candidates.depth_mm
    with np.errstate(invalid="ignore"):
        dots = (candidates.peak >= level) & (width_mm <= _WIDEST_MM) & ~hidden[row, ray] & np.isfinite(radius)
    free = dots & ~calcified[row, ray]
    present = _stented(angle, free, calcified | hidden) & np.isfinite(lumen_mm).all(axis=1)
    learnt = {"strut_level": level, "stent_frames": float(present.sum())}
    parts, ring_mm = [], centre_mm.copy()
    for part in _runs(present):
        here, mm, used = angle[part], radius[part], dots[part]
        ring_mm[part] += ring_centres_mm(mm * np.cos(here), mm * np.sin(here), used)
    ring_angle, ring_radius = _about_centre(candidates, ring_mm)
    for part in _runs(present):
        used = dots[part]
        curves = fit_stent_curves(
            np.where(used, ring_angle[part], 0.0), np.where(used, ring_radius[part], 1.0), used.astype(np.float64)
        )
        largest_mm = _SCATTER_OF_TEN_DOTS_MM * (float(used.sum(axis=1).mean()) / 10.0) ** 2
        long_enough = part.stop - part.start >= _LEAST_FRAMES
        if long_enough and curves.scatter_mm <= largest_mm and _are_struts(candidates, part, curves):
            parts.append(curves)
        else:
            present[part] = False
    learnt["stent_frames"] = float(present.sum())
    if not parts:
        return _nothing(n_frames, n_rays, dots.shape[1], learnt)
    spread = _spread(parts, present, n_rays)
    learnt |= {
        "strut_scatter_mm": float(np.max([curves.scatter_mm for curves in parts])),
        "strut_residual_mm": float(np.median([curves.residual_mm for curves in parts])),
        "stent_width_frames": float(np.median([curves.width_frames for curves in parts])),
    }
    on_ring = spread.weights > _ON_RING
    seen = _near_struts(ring_angle, on_ring, n_rays)
    return StentFindings(
        present,
        ring_mm,
        spread.radii,
        seen & present[:, None],
        spread.area,
        spread.area_sd,
        spread.confidence,
        on_ring,
        _strut_sectors(candidates, angle, radius, on_ring),
        learnt,
    )


@dataclass(frozen=True, slots=True)
class _Spread:
    """Fitted stretches laid out over the whole run."""

    radii: FloatArray
    area: FloatArray
    area_sd: FloatArray
    confidence: FloatArray
    weights: FloatArray


def _about_centre(candidates: StrutCandidates, centre_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle (radians) and radius of the candidates about `centre_mm` (n_frames, 2)."""
    angle = np.radians(candidates.angle_deg)
    x = candidates.depth_mm * np.cos(angle) - centre_mm[:, :1]
    y = candidates.depth_mm * np.sin(angle) - centre_mm[:, 1:]
    return np.arctan2(y, x), np.hypot(x, y)


def _stented(angle: FloatArray, dots: BoolArray, blocked: BoolArray) -> BoolArray:
    """Frames that belong to a stent: bright dots in most of the octants that can show any, frame after frame."""
    octant = np.floor(np.nan_to_num(angle) / (2 * np.pi) * _OCTANTS).astype(np.int64) % _OCTANTS
    shown = np.stack([(dots & (octant == k)).any(axis=1) for k in range(_OCTANTS)], axis=1)
    visible = blocked.reshape(len(blocked), _OCTANTS, -1).mean(axis=2) < 0.75
    n_shown = shown.sum(axis=1)
    n_dark = (visible & ~shown).sum(axis=1)
    odds = n_shown * np.log(_SEEN_IN_STENT / _SEEN_ELSEWHERE)
    odds = odds + n_dark * np.log((1 - _SEEN_IN_STENT) / (1 - _SEEN_ELSEWHERE))
    return likely_stretches(odds, _CHANGE_COST)


def _are_struts(candidates: StrutCandidates, part: slice, curves: StentCurves) -> bool:
    """Whether a ring of dots is one of struts, by their number, brightness and contrast."""
    on_ring = curves.weights > _ON_RING
    dots = float(on_ring.sum(axis=1).mean())
    if not on_ring.any() or dots > _MOST_DOTS:
        return False
    if candidates.contrast[part][on_ring].mean() >= _PLAIN_CONTRAST:
        return True
    return bool(dots >= _FEWEST_DOTS and np.percentile(candidates.peak[part][on_ring], _WHITE_PCT) >= _WHITE)


def _runs(present: BoolArray) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], present, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _spread(parts: list[StentCurves], present: BoolArray, n_rays: int) -> _Spread:
    n_frames, n_candidates = len(present), parts[0].weights.shape[1]
    radii = np.full((n_frames, n_rays), np.nan)
    area, area_sd, confidence = (np.full(n_frames, np.nan) for _ in range(3))
    weights = np.zeros((n_frames, n_candidates))
    for part, curves in zip(_runs(present), parts, strict=True):
        radii[part] = curves.radii_mm(n_rays)
        area[part], area_sd[part] = curves.areas_mm2()
        weights[part] = curves.weights
        # Jaccard falls by about twice the mean absolute error over the radius.
        error = curves.radius_sd_mm(n_rays).mean(axis=1)
        confidence[part] = erf(0.1 * radii[part].mean(axis=1) / (2 * 0.8 * np.sqrt(2) * error))
    return _Spread(radii, area, area_sd, confidence, weights)


def _near_struts(angle: FloatArray, on_ring: BoolArray, n_rays: int) -> BoolArray:
    """Rays about the contour's centre with a strut of this frame or a neighbour within `_NEAR_STRUT_DEG`."""
    n_frames = len(angle)
    hit = np.zeros((n_frames, n_rays), dtype=np.bool_)
    frame, which = np.nonzero(on_ring)
    hit[frame, np.round(angle[frame, which] / (2 * np.pi) * n_rays).astype(np.int64) % n_rays] = True
    reach = round(_NEAR_STRUT_DEG * n_rays / 360)
    padded = np.concatenate([hit[:, -reach:], hit, hit[:, :reach]], axis=1).astype(np.int64)
    total = np.cumsum(np.concatenate([np.zeros((n_frames, 1), dtype=np.int64), padded], axis=1), axis=1)
    near: BoolArray = total[:, 2 * reach + 1 :] - total[:, : -2 * reach - 1] > 0
    return near


def _strut_sectors(candidates: StrutCandidates, angle: FloatArray, radius: FloatArray, on_ring: BoolArray) -> Sectors:
    frame, which = np.nonzero(on_ring)
    half = np.degrees(
        0.5 * np.radians(candidates.width_deg[frame, which]) * candidates.depth_mm[frame, which] / radius[frame, which]
    )
    start = np.mod(np.degrees(angle[frame, which]) - half, 360.0)
    order = np.lexsort((start, frame))
    return Sectors(
        frame[order].astype(np.int64),
        (SectorKind.STRUT,) * len(order),
        start[order],
        (start + 2 * half)[order],
        radius[frame, which][order],
    )


def _nothing(n_frames: int, n_rays: int, n_candidates: int, learnt: dict[str, float]) -> StentFindings:
    none = np.full(n_frames, np.nan)
    return StentFindings(
        np.zeros(n_frames, dtype=np.bool_),
        np.full((n_frames, 2), np.nan),
        np.full((n_frames, n_rays), np.nan),
        np.zeros((n_frames, n_rays), dtype=np.bool_),
        none,
        none,
        none,
        np.zeros((n_frames, n_candidates), dtype=np.bool_),
        Sectors.empty(),
        learnt,
    )
