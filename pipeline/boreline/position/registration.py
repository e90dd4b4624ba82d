"""From marker positions to arc length: what the heart does to the picture is told apart from what the hand does.

The centreline belongs to one phase of the beat. Marker positions of that phase lie on it and give, beat by beat,
where the transducer is. In between, the marker is displaced by the heart: a displacement that repeats with the
phase and varies smoothly along the vessel. It is fitted to all frames and taken off, and each frame is projected
on the centreline. A slide of the transducer along the vessel that repeats with every beat cannot be told from the
heart's own movement; it stays in the stated uncertainty (trade: 1.5 mm, Arbab-Zadeh et al. 1999).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import savgol_coeffs, savgol_filter
from scipy.spatial import cKDTree

from boreline.model import FloatArray
from boreline.position.centreline import Centreline

PHASE_WINDOW = 0.08
_HARMONICS = 3
_ROUNDS = 3
_REACH_MM = 6.0
_BEYOND_MM = 3.0  # by which a marker may pass an end of the line, which is laid through medians of its places
_SMOOTH_S = 0.5
_PHASE_GRID = 24
_LEAST_WINDOW = 5


@dataclass(frozen=True, slots=True)
class Registration:
    """Each fluoroscopy frame on the centreline.

    Attributes
    ----------
    arc_px
        Shape (n,), length from the centreline's distal end; NaN where the marker is unknown.
    shift_px
        (x, y) by which the fluoroscopy lies off the cine (breathing level, moved table).
    cine_phase
        Phase 0..1 of the cine frame that was used; NaN without a phase.
    matched
        Shape (n,), the frames of the cine's phase.
    place_sd_px
        Standard uncertainty of `arc_px` by how the corrected marker scatters: its robust spread across the
        centreline, reduced by what the smoothing in time averages out.
    """

    arc_px: FloatArray
    shift_px: FloatArray
    cine_phase: float
    matched: np.ndarray
    place_sd_px: float


def register(
    marker_px: FloatArray,
    confidence: FloatArray,
    times_s: FloatArray,
    phase: FloatArray,
    line: Centreline,
    *,
    cine_phase: float | None,
    mm_per_px: float,
) -> Registration:
    """Project a marker track on the centreline.

    Parameters
    ----------
    marker_px
        Shape (n, 2), the breath taken off; NaN where unknown.
    confidence
        Shape (n,); frames with 0 are carried, not used.
    phase
        Shape (n,), NaN where unknown.
    cine_phase
        Of the centreline's frame; None = the phase whose marker positions lie best on the centreline.
    """
    used = np.isfinite(marker_px[:, 0]) & (confidence > 0)
    line = _lengthened(line, _BEYOND_MM / mm_per_px)
    if cine_phase is None and np.isfinite(phase).any():
        cine_phase = _best_phase(marker_px, used, phase, line)
    matched = used & (_phase_distance(phase, cine_phase) < PHASE_WINDOW if cine_phase is not None else True)
    if matched.sum() < 5:
        matched = used
    shift = _shift(marker_px[matched], line, mm_per_px)
    arc = _first_course(marker_px + shift, matched, times_s, line)
    heart = np.zeros_like(marker_px)
    for _ in range(_ROUNDS if cine_phase is not None else 1):
        slow = _smoothed(arc, used, times_s, _SMOOTH_S * 2)
        if cine_phase is not None:
            heart = _heart(marker_px + shift - line.at(slow), used & np.isfinite(phase), phase, cine_phase, slow)
        arc = _projected(marker_px + shift - heart, slow, line, _REACH_MM / mm_per_px)
    across = _across(marker_px + shift - heart, arc, line)[used]
    spread = 1.4826 * float(np.median(np.abs(across - np.median(across)))) if used.any() else float("nan")
    final = _smoothed(arc, used, times_s, _SMOOTH_S)
    final[~np.isfinite(marker_px[:, 0])] = np.nan
    place_sd = spread * _noise_left(_window(times_s, _SMOOTH_S))
    return Registration(final, shift, float("nan") if cine_phase is None else cine_phase, matched, place_sd)


def _lengthened(line: Centreline, by_px: float) -> Centreline:
    """Both ends carried on in their own direction, so that what lies beyond them is not taken for the end itself."""
    arc = np.arange(line.arc_px[0] - by_px, line.arc_px[-1] + by_px, 0.5)
    return Centreline(line.at(arc), arc, np.full(len(arc), np.nan))


def _phase_distance(phase: FloatArray, at: float) -> FloatArray:
    away: FloatArray = np.abs((phase - at + 0.5) % 1.0 - 0.5)
    return np.where(np.isfinite(away), away, np.inf)


def _best_phase(marker_px: FloatArray, used: np.ndarray, phase: FloatArray, line: Centreline) -> float:
    tree = cKDTree(line.xy_px)
    distance = np.full(len(phase), np.nan)
    distance[used] = tree.query(marker_px[used])[0]
    grid = np.arange(_PHASE_GRID) / _PHASE_GRID
    misfit = []
    for at in grid:
        near = used & (_phase_distance(phase, float(at)) < PHASE_WINDOW)
        # A common shift is allowed for later, so what counts is the scatter about the median offset.
        misfit.append(float(np.median(distance[near])) if near.sum() >= 3 else np.inf)
    return float(grid[int(np.argmin(misfit))])


def _shift(marker_px: FloatArray, line: Centreline, mm_per_px: float) -> FloatArray:
    """Common shift that puts the phase-matched marker on the line: iterated closest points, held near zero.

    Along a straight vessel the shift cannot be seen; there the prior (3 mm) keeps it small.
    """
    tree = cKDTree(line.xy_px)
    tangent = np.gradient(line.xy_px, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    shift = np.zeros(2)
    prior = 1.0 / (3.0 / mm_per_px) ** 2
    for _ in range(12):
        _, nearest = tree.query(marker_px + shift)
        n = normal[nearest]
        off = np.einsum("ij,ij->i", line.xy_px[nearest] - marker_px, n)
        now = off - n @ shift
        weight = 1.0 / (1.0 + (now / 3.0) ** 2)  # robust: a stray marker must not pull
        system = (n * weight[:, None]).T @ n + prior * np.eye(2) * 9.0
        fresh = np.linalg.solve(system, (n * weight[:, None]).T @ off)
        if np.hypot(*(fresh - shift)) < 0.01:
            shift = fresh
            break
        shift = fresh
    return shift


def _first_course(marker_px: FloatArray, matched: np.ndarray, times_s: FloatArray, line: Centreline) -> FloatArray:
    _, nearest = cKDTree(line.xy_px).query(marker_px[matched])
    arc = line.arc_px[nearest]
    # Median of neighbours against single strays, then straight lines between the matched moments.
    padded = np.pad(arc, 1, mode="edge")
    arc = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    course: FloatArray = np.interp(times_s, times_s[matched], arc)
    return course


def _heart(off: FloatArray, used: np.ndarray, phase: FloatArray, cine_phase: float, arc: FloatArray) -> FloatArray:
    """Periodic displacement (n, 2): harmonics that vanish at the cine's phase, each linear along the vessel."""
    order = 2 * np.pi * np.arange(1, _HARMONICS + 1)[None, :]
    known = np.where(np.isfinite(phase), phase, cine_phase)[:, None]
    waves = np.hstack(
        [np.cos(order * known) - np.cos(order * cine_phase), np.sin(order * known) - np.sin(order * cine_phase)]
    )
    place = (arc - np.mean(arc)) / max(float(np.std(arc)), 1e-6)
    design = np.hstack([waves, waves * place[:, None]])
    weight = used.astype(np.float64)
    heart = np.zeros_like(off)
    for _ in range(4):
        root = np.sqrt(weight)[:, None]
        ridge = 0.05 * np.sqrt(used.sum()) * np.eye(design.shape[1])
        target = np.where(used[:, None], off, 0.0)
        solution = np.linalg.lstsq(
            np.vstack([design * root, ridge]), np.vstack([target * root, np.zeros((len(ridge), 2))]), rcond=None
        )[0]
        heart = design @ solution
        rest = np.hypot(*np.where(used[:, None], off - heart, 0.0).T)
        scale = 2.0 * max(float(np.median(rest[used])), 0.3)
        weight = used * np.minimum(1.0, scale / np.maximum(rest, 1e-9))
    return heart


def _projected(marker_px: FloatArray, near_arc: FloatArray, line: Centreline, reach_px: float) -> FloatArray:
    """Closest place on the line to each marker, within reach of where it is expected (so crossings do no harm)."""
    steps = np.arange(-reach_px, reach_px + 0.5, 0.5)
    arc = np.full(len(marker_px), np.nan)
    for k in np.flatnonzero(np.isfinite(marker_px[:, 0])):
        offered = near_arc[k] + steps
        # A mild pull towards the expected place decides where the line doubles back.
        away = ((line.at(offered) - marker_px[k]) ** 2).sum(axis=1) + 0.02 * steps**2
        best = int(np.argmin(away))
        if 0 < best < len(steps) - 1:
            bend = away[best - 1] - 2 * away[best] + away[best + 1]
            arc[k] = offered[best] + 0.25 * (away[best - 1] - away[best + 1]) / bend
        else:
            arc[k] = offered[best]
    return arc


def _smoothed(arc: FloatArray, used: np.ndarray, times_s: FloatArray, window_s: float) -> FloatArray:
    """Second-order local fit: keeps stops, restarts and reversals longer than the window."""
    good = used & np.isfinite(arc)
    filled = np.interp(times_s, times_s[good], arc[good])
    window = _window(times_s, window_s)
    if window < _LEAST_WINDOW or window > len(filled):
        return filled
    smooth: FloatArray = savgol_filter(filled, window, 2, mode="interp")
    return smooth


def _window(times_s: FloatArray, window_s: float) -> int:
    rate_hz = 1 / float(np.median(np.diff(times_s)))
    return min(round(window_s * rate_hz) | 1, (len(times_s) - 1) | 1)


def _noise_left(window: int) -> float:
    """Share of independent noise that a second-order fit over a window leaves in its middle."""
    return float(np.linalg.norm(savgol_coeffs(window, 2))) if window >= _LEAST_WINDOW else 1.0


def _across(marker_px: FloatArray, arc: FloatArray, line: Centreline) -> FloatArray:
    at, ahead = line.at(arc), line.at(arc + 1.0)
    tangent = ahead - at
    off = marker_px - at
    across: FloatArray = tangent[:, 0] * off[:, 1] - tangent[:, 1] * off[:, 0]
    return across
