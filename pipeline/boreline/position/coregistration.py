"""The whole co-registration: marker, centreline, registration, millimetres, and what may be wrong with them.

Assumes: the fluoroscopy was taken during the IVUS run, the cine in the same view with the table unmoved. Refuses
where that is known not to hold; where it cannot be known, a warning says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Axis, AxisSource, FloatArray, JsonValue, Run
from boreline.position.axis import HEART_SLIDE_MM
from boreline.position.biplane import LEAST_ANGLE_DEG, SpaceArc, arc_in_space
from boreline.position.breathing import follow, line_maps, slow_part
from boreline.position.centreline import Centreline, Image, best_filled_frame, filling_course, line_mm, trace
from boreline.position.clocks import Offset, refined_offset, stated_offset
from boreline.position.films import check_views, geometry_of, pictures, xray_scale
from boreline.position.gating import beat_phase, change_signal, extended_beats, gate_from_change
from boreline.position.marker import MarkerTrack, track_marker
from boreline.position.registration import PHASE_WINDOW, Registration, register
from boreline.position.xray_geometry import angle_between_deg
from boreline.reading import XrayRun

SHORTFALL_ONE_VIEW = (0.089, 0.082)
"""Mean and spread of foreshortening in working views (Tu et al., EuroIntervention 2011;7:112-20): 8.9 +/- 8.2 %.
Two views measure the length in space: none of it is left."""

TWO_VIEW_RELATIVE_SD = 0.01
"""Length in space where both views fix the correspondence: root mean square on this program's own synthetic tuning
scenes. What they leave open is added (`SpaceArc.relative_sd`)."""

_LOST_SHARE = 0.95
_FILLED_SHARE = 0.95
_BREATH_MM = 2.0
_WAYPOINTS = 6
_SHORTEST_PATH_MM = 2.0
_WELL_FILLED = 0.85
_UNMOVED_MM = 1.0  # between two runs with the table locked and the breath held: common practice, no source
_SAME_PHASE = 3  # frames of the second view that are tried
_ANY_PHASE = 8


@dataclass(frozen=True, slots=True)
class Coregistration:
    """Where the IVUS frames lie, and everything that led there.

    Attributes
    ----------
    axis
        Of the IVUS run.
    marker
        Of the fluoroscopy run.
    cine_frame
        0-based number of the cine frame that carries the path.
    line
        The centreline on it, distal to proximal.
    path_px, arc_mm
        Shapes (n_frames, 2) and (n_frames,): each IVUS frame on that frame, NaN where unknown. `arc_mm` counts
        from the centreline's distal end.
    line_arc_mm
        Length in mm at each point of `line`.
    onto_cine_px
        Shape (fluoroscopy frames, 2): what moves a fluoroscopy frame of the cine's phase onto the cine frame; NaN
        for frames of other phases.
    flags
        Words: marker_partly_lost, filling_incomplete, breathing_drift.
    record
        For run.json.
    """

    axis: Axis
    marker: MarkerTrack
    cine_frame: int
    line: Centreline
    path_px: FloatArray
    arc_mm: FloatArray
    line_arc_mm: FloatArray
    onto_cine_px: FloatArray
    flags: tuple[str, ...] = ()
    record: Mapping[str, JsonValue] = field(default_factory=dict)

    def on_line_mm(self, arc_px: FloatArray) -> FloatArray:
        """Millimetres at lengths in pixels along `line`."""
        return line_mm(arc_px, self.line.arc_px, self.line_arc_mm)


def coregister(
    run: Run,
    fluoro: XrayRun,
    cine: XrayRun,
    cine2: XrayRun | None = None,
    *,
    offset_s: float | None = None,
    clicks: Mapping[int, tuple[float, float]] | None = None,
    ends_px: tuple[tuple[float, float], tuple[float, float]] | None = None,
    mm_per_px: float | None = None,
    guide: tuple[float, tuple[float, float]] | None = None,
    names: tuple[str, str] = ("the fluoroscopy", "the cine"),
) -> Coregistration:
    """Place the frames of an IVUS run by the transducer's marker under X-ray.

    Parameters
    ----------
    offset_s
        Operator's seconds from the first IVUS frame to the first fluoroscopy frame; overrides the clocks.
    clicks
        Operator's marker places by 0-based fluoroscopy frame.
    ends_px
        Operator's distal and proximal ends of the vessel on the cine frame.
    mm_per_px
        Operator's X-ray scale.
    guide
        Size in French of the guide catheter and a place (x, y) on it in the first cine frame: its width gives the
        scale. `mm_per_px` goes first.
    names
        Of the files, for refusals.

    Raises
    ------
    InputRefused
        No marker, a marker that never moves, no overlap in time, another view or magnification, no scale.
    """
    warnings = list(check_views(fluoro, cine, names))
    scale, scale_detail, scale_sd = xray_scale(cine, mm_per_px, guide, names[1])
    offset = stated_offset(run.timing, fluoro.timing, offset_s=offset_s, file=names[0])
    times_s = np.asarray(fluoro.timing.times_s)
    marker = track_marker(pictures(fluoro), times_s, scale, clicks=clicks, name=names[0])
    if offset.source == "unconfirmed" and run.timing.times_s is not None:
        offset = refined_offset(offset, run.timing.times_s, change_signal(run), times_s, marker.xy_px)
        if offset.source == "unconfirmed":
            warnings.append(
                f"time offset {offset.offset_s:+.2f} s rests on {offset.detail}; confirm it with --offset S"
            )
    phase, phase_source, beats_known = _phase(run, fluoro, offset, marker, scale)
    course = filling_course(pictures(cine), scale)
    number = best_filled_frame(course, _cine_phases(cine))
    picture = next(pictures(cine, number))
    cine_phase = _cine_phase(cine, number) if beats_known else None

    breath_px = _breath(fluoro, marker, scale, times_s, phase)
    steady = replace(marker, xy_px=marker.xy_px - breath_px)
    _check_ends(ends_px, picture)
    line = trace(picture, _waypoints(steady, phase, cine_phase, ends_px), scale)
    if line.arc_px[-1] * scale < _SHORTEST_PATH_MM:
        raise InputRefused(
            f"the path on the cine is only {line.arc_px[-1] * scale:.1f} mm long",
            file=names[1],
            remedy="state its ends with --ends X,Y,X,Y",
        )
    registered = register(steady.xy_px, marker.confidence, times_s, phase, line, cine_phase=cine_phase, mm_per_px=scale)
    line_arc_mm, lengths_from = line.arc_px * scale, "one view"
    shortfall, space = SHORTFALL_ONE_VIEW, None
    if cine2 is not None:
        # The second view was taken at another breath, as far off as the fluoroscopy shows breath to move the heart.
        apart_mm = float(np.hypot(_UNMOVED_MM, 0.5 * _drift_mm(breath_px * scale)))
        space = _in_space(line, picture, (cine, cine2), _cine_phase(cine, number), apart_mm)
        line_arc_mm = space.arc_mm * scale / geometry_of(cine, "the cine").mm_per_px
        lengths_from, shortfall = f"two views (likeness {space.likeness:.2f})", (0.0, 0.0)
        scale_sd = float(np.hypot(TWO_VIEW_RELATIVE_SD, space.relative_sd))

    ivus_s = np.asarray(run.timing.times_s) - offset.offset_s
    arc_px = _at_times(registered.arc_px, times_s, ivus_s)
    arc_mm = line_mm(arc_px, line.arc_px, line_arc_mm)
    if not np.isfinite(arc_mm).any():
        raise InputRefused("the marker is not seen while the IVUS run lasts", file=names[0], remedy="check --offset S")
    position_mm = arc_mm - np.nanmin(arc_mm)
    flags, remarks = _flags(marker, line, breath_px * scale)
    speed = float(np.nanmedian(np.abs(np.gradient(arc_mm, ivus_s))))
    local = (registered.place_sd_px * scale, HEART_SLIDE_MM / (2 * np.sqrt(2)), speed * offset.sd_s)
    axis = Axis(
        position_mm,
        AxisSource.FLUOROSCOPY,
        f"marker on the centreline of cine frame {number + 1}, {lengths_from}; {scale_detail}; "
        f"offset by {offset.source}",
        scale_relative_sd=float(np.hypot(scale_sd, np.hypot(*shortfall))),
        local_sd_mm=float(np.sqrt(np.sum(np.square(local)))),
        correlation_mm=max(speed * 0.3, 0.1),
        lower_bound=cine2 is None,
        warnings=(*warnings, *remarks),
    )
    return Coregistration(
        axis=axis,
        marker=marker,
        cine_frame=number,
        line=line,
        path_px=line.at(arc_px),
        arc_mm=arc_mm,
        line_arc_mm=line_arc_mm,
        onto_cine_px=np.where(registered.matched[:, None], registered.shift_px - breath_px, np.nan),
        flags=flags,
        record=_record(
            offset,
            marker,
            number,
            line,
            registered,
            breath_px * scale,
            phase_source,
            scale,
            scale_detail,
            local,
            shortfall,
            space,
            scale_sd,
            flags,
        ),
    )


def _check_ends(ends_px: tuple[tuple[float, float], tuple[float, float]] | None, picture: Image) -> None:
    rows, columns = picture.shape
    for x, y in ends_px or ():
        if not (0 <= x < columns and 0 <= y < rows):
            raise InputRefused(
                f"{x:g},{y:g} lies outside the cine's {columns} x {rows} picture",
                tag="--ends",
                remedy="give X,Y,X,Y in pixels of the cine, counted from its upper left corner",
            )


def _phase(
    run: Run, fluoro: XrayRun, offset: Offset, marker: MarkerTrack, mm_per_px: float
) -> tuple[FloatArray, str, bool]:
    """Phase of every fluoroscopy frame, where it was read, and whether 0 is an R wave."""
    times_s = np.asarray(fluoro.timing.times_s)
    if len(fluoro.r_wave_frames) >= 3:
        beats = extended_beats(times_s[fluoro.r_wave_frames], times_s)
        return beat_phase(times_s, beats), "(0028,6040) R Wave Pointer of the fluoroscopy", True
    waves = run.timing.r_waves_s - offset.offset_s
    inside = waves[(waves >= times_s[0] - 1) & (waves <= times_s[-1] + 1)]
    if len(inside) >= 3:
        return (
            beat_phase(times_s, extended_beats(inside, times_s)),
            "(0018,6060) R Wave Time Vector of the IVUS run",
            True,
        )
    known = np.isfinite(marker.xy_px[:, 0])
    filled = np.column_stack([np.interp(times_s, times_s[known], marker.xy_px[known, c]) for c in range(2)])
    shaken = np.hypot(*np.gradient(filled, times_s, axis=0).T) * mm_per_px
    gating = gate_from_change(times_s, shaken)
    if len(gating.beat_s) >= 3:
        beats = extended_beats(gating.beat_s, times_s)
        return beat_phase(times_s, beats), f"the marker's motion (coherence {gating.coherence:.2f})", False
    return np.full(len(times_s), np.nan), f"none: {gating.detail}", False


def _cine_phases(cine: XrayRun) -> FloatArray | None:
    """Phase of each frame of a cine, 0 at the R wave; None where the file states no beats."""
    times_s = cine.timing.times_s
    if len(cine.r_wave_frames) < 2 or times_s is None:
        return None
    return beat_phase(times_s, extended_beats(times_s[cine.r_wave_frames], times_s))


def _cine_phase(cine: XrayRun, number: int) -> float | None:
    phases = _cine_phases(cine)
    return None if phases is None else float(phases[number])


def _breath(
    fluoro: XrayRun, marker: MarkerTrack, mm_per_px: float, times_s: FloatArray, phase: FloatArray
) -> FloatArray:
    shift, match = follow(line_maps(pictures(fluoro), marker.xy_px, mm_per_px), mm_per_px)
    return slow_part(shift, match, times_s, phase)


def _waypoints(
    marker: MarkerTrack,
    phase: FloatArray,
    cine_phase: float | None,
    ends_px: tuple[tuple[float, float], tuple[float, float]] | None,
) -> FloatArray:
    """Places along the track, first to last, at the cine's phase where that is known."""
    use = marker.seen.copy()
    if cine_phase is not None:
        away = np.abs((phase - cine_phase + 0.5) % 1.0 - 0.5)
        if (use & (away < PHASE_WINDOW)).sum() >= 2 * _WAYPOINTS:
            use &= away < PHASE_WINDOW
    at = np.flatnonzero(use)
    middles = np.linspace(0, len(at) - 1, _WAYPOINTS).astype(int)
    half = max(1, len(at) // (4 * _WAYPOINTS)) if cine_phase is None else 2
    points = np.array([np.median(marker.xy_px[at[max(0, k - half) : k + half + 1]], axis=0) for k in middles])
    if ends_px is not None:
        points = np.vstack([ends_px[0], points[1:-1], ends_px[1]])
    return points


def _in_space(
    line: Centreline, picture: Image, cines: tuple[XrayRun, XrayRun], cine_phase: float | None, shift_sd_mm: float
) -> SpaceArc:
    """Length in space, by the frame of the second view that looks most alike of those filled and of the same phase."""
    views = geometry_of(cines[0], "the cine"), geometry_of(cines[1], "the second cine")
    apart = angle_between_deg(*views)
    if min(apart, 180 - apart) < LEAST_ANGLE_DEG:
        raise InputRefused(
            f"the two cine views are only {apart:.0f} degrees apart",
            tag="--cine2",
            remedy=f"give a second view at least {LEAST_ANGLE_DEG:.0f} degrees away, or none",
        )
    course = filling_course(pictures(cines[1]), views[1].mm_per_px)
    filled = np.flatnonzero(course >= _WELL_FILLED * course.max())
    phases = _cine_phases(cines[1])
    if cine_phase is not None and phases is not None:
        away = np.abs((phases[filled] - cine_phase + 0.5) % 1.0 - 0.5)
        filled = filled[np.argsort(away, kind="stable")[:_SAME_PHASE]]
    else:
        filled = filled[:: max(1, len(filled) // _ANY_PHASE)]
    found = (
        arc_in_space(line.xy_px, (picture, next(pictures(cines[1], int(number)))), views, shift_sd_mm=shift_sd_mm)
        for number in filled
    )
    return max(found, key=lambda candidate: candidate.likeness)


def _at_times(arc_px: FloatArray, times_s: FloatArray, wanted_s: FloatArray) -> FloatArray:
    known = np.isfinite(arc_px)
    at: FloatArray = np.interp(wanted_s, times_s[known], arc_px[known], left=np.nan, right=np.nan)
    return at


def _drift_mm(breath_mm: FloatArray) -> float:
    """How far the breath moves the picture."""
    return float(np.hypot(*(np.percentile(breath_mm, 97, axis=0) - np.percentile(breath_mm, 3, axis=0))))


def _flags(marker: MarkerTrack, line: Centreline, breath_mm: FloatArray) -> tuple[tuple[str, ...], tuple[str, ...]]:
    found: dict[str, str] = {}
    if marker.seen_share < _LOST_SHARE or not np.isfinite(marker.xy_px).all():
        found["marker_partly_lost"] = f"the marker was seen in {marker.seen_share:.0%} of the frames; gaps are bridged"
    if line.filled_share < _FILLED_SHARE:
        found["filling_incomplete"] = f"contrast fills {line.filled_share:.0%} of the path"
    drift = _drift_mm(breath_mm)
    if drift > _BREATH_MM:
        found["breathing_drift"] = f"the picture drifts by {drift:.1f} mm with the breath; the drift was taken off"
    return tuple(found), tuple(f"{flag}: {text}" for flag, text in found.items())


def _record(
    offset: Offset,
    marker: MarkerTrack,
    number: int,
    line: Centreline,
    registered: Registration,
    breath_mm: FloatArray,
    phase_source: str,
    scale: float,
    scale_detail: str,
    local_mm: tuple[float, float, float],
    shortfall: tuple[float, float],
    space: SpaceArc | None,
    scale_sd: float,
    flags: tuple[str, ...],
) -> dict[str, JsonValue]:
    one_view = space is None
    return {
        "offset": {
            "offset_s": offset.offset_s,
            "source": offset.source,
            "sd_s": offset.sd_s,
            "detail": offset.detail,
        },
        "marker": {"seen_share": marker.seen_share, "travel_mm": marker.travel_mm},
        "cine_frame": number + 1,
        "cine_phase": registered.cine_phase,
        "phase_source": phase_source,
        "filled_share": line.filled_share,
        "xray_mm_per_px": scale,
        "xray_scale_detail": scale_detail,
        "shift_px": [float(v) for v in registered.shift_px],
        "breath_range_mm": [float(v) for v in np.ptp(breath_mm, axis=0)],
        "covariance": {
            "local_sd_mm": {
                "across_the_path": local_mm[0],
                "slide_within_a_beat": local_mm[1],
                "clock": local_mm[2],
            },
            "scale_relative_sd": {
                ("scale" if one_view else "two_views"): scale_sd,
                "shortfall": float(np.hypot(*shortfall)),
            },
        },
        "views": 1 if one_view else 2,
        "second_view": None if space is None else _second_view(space),
        "lower_bound": one_view,
        "typical_shortfall": shortfall[0],
        "flags": list(flags),
    }


def _second_view(space: SpaceArc) -> dict[str, JsonValue]:
    return {
        "likeness": space.likeness,
        "ridge_support": space.support,
        "shift_mm": space.shift_mm,
        "shift_sd_mm": space.shift_sd_mm,
        "correspondence_relative_sd": space.relative_sd,
    }
