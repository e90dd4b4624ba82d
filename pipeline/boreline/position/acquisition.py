"""The acquisition check: each condition of good practice with its measured value and a verdict.

The conditions are common practice, no source. What cannot be measured from the files that are at hand is not
assessable, never failed; whether a vasodilator was given is only ever known from the operator.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from boreline.errors import InputRefused
from boreline.model import FloatArray, JsonValue, Run, Vessel
from boreline.position.clocks import overlap, stated_offset
from boreline.position.films import SAME_VIEW_DEG
from boreline.reading import XrayRun

if TYPE_CHECKING:  # heavy, and an analysis without X-ray runs does not need it
    from boreline.position.coregistration import Coregistration

LEAST_RATE_HZ, PREFERRED_RATE_HZ = 15.0, 30.0
LEAST_OVERLAP_S = 7.0
SPEED_MM_S = (0.5, 1.5)
STEADY_SHARE = 0.8
_VISIBLE_SHARE = 0.95
_FILLED_SHARE = 0.95
_MARGIN_PX = 8.0


class Verdict(StrEnum):
    """What a condition comes to."""

    MET = "met"
    NOT_MET = "not_met"
    NOT_ASSESSABLE = "not_assessable"


@dataclass(frozen=True, slots=True)
class Check:
    """One condition.

    Attributes
    ----------
    id
        Stable name for programs.
    value
        Measured number in `unit`, None when there is none.
    measured
        The same in words, or why it is not assessable.
    """

    id: str
    condition: str
    wanted: str
    measured: str
    verdict: Verdict
    value: float | None = None
    unit: str = ""

    def as_json(self) -> dict[str, JsonValue]:
        """Plain values."""
        return {**asdict(self), "verdict": self.verdict.value}


def check_acquisition(
    run: Run,
    fluoro: XrayRun | None = None,
    cine: XrayRun | None = None,
    *,
    vessel: Vessel | None = None,
    offset_s: float | None = None,
    result: Coregistration | None = None,
    vasodilator: bool | None = None,
) -> tuple[Check, ...]:
    """Judge how the runs were taken.

    Parameters
    ----------
    vessel
        Overrides that of the run; without one the view is not assessable.
    result
        The co-registration, which knows marker, path, filling and speed; without it these are not assessable.
    vasodilator
        The operator's note; never inferred.

    Returns
    -------
    tuple of Check
        Always the same conditions in the same order.
    """
    return (
        _fluoro_rate(fluoro),
        _simultaneous(run, fluoro, offset_s),
        *_speed(run, result),
        _marker_seen(result),
        _path_in_view(result, cine),
        _guide_in_view(run, result, cine),
        _filling(result),
        _view_suits(vessel if vessel is not None else run.vessel, cine if cine is not None else fluoro),
        _unmoved(fluoro, cine),
        _vasodilator(vasodilator),
    )


def _fluoro_rate(fluoro: XrayRun | None) -> Check:
    say = _saying("fluoro_rate", "fluoroscopy frame rate", ">= 15 frames/s, 30 preferred", "1/s")
    if fluoro is None or fluoro.timing.times_s is None or fluoro.n_frames < 2:
        return say(None, "no fluoroscopy" if fluoro is None else "no usable frame times")
    times = fluoro.timing.times_s
    rate = float((len(times) - 1) / (times[-1] - times[0]))
    word = "" if rate > PREFERRED_RATE_HZ - 1 else ", below the preferred 30"
    return say(rate, f"{rate:.1f} frames/s{word if rate >= LEAST_RATE_HZ - 0.5 else ''}", rate >= LEAST_RATE_HZ - 0.5)


def _simultaneous(run: Run, fluoro: XrayRun | None, offset_s: float | None) -> Check:
    say = _saying("simultaneous", "IVUS and fluoroscopy at the same time", ">= 7 s", "s")
    if fluoro is None:
        return say(None, "no fluoroscopy")
    try:
        offset = stated_offset(run.timing, fluoro.timing, offset_s=offset_s, file="the fluoroscopy")
    except InputRefused as refusal:
        if "overlap" in refusal.problem:
            return say(0.0, "no overlap in time", False)
        return say(None, refusal.problem)
    shared = overlap(np.asarray(run.timing.times_s), np.asarray(fluoro.timing.times_s) + offset.offset_s)
    doubt = " by clocks that are not declared synchronised" if offset.source == "unconfirmed" else ""
    return say(shared, f"{shared:.1f} s{doubt}", shared >= LEAST_OVERLAP_S)


def _speed(run: Run, result: Coregistration | None) -> tuple[Check, Check]:
    say_mean = _saying("mean_speed", "mean pullback speed", "0.5 to 1.5 mm/s, about 1", "mm/s")
    say_steady = _saying(
        "steadiness", "share of the time within a factor 2 of the mean speed", f">= {STEADY_SHARE:.0%}", ""
    )
    if result is None:
        stated = run.pullback.speed_mm_s
        if stated is None:
            return say_mean(None, "no positions along the vessel"), say_steady(None, "no positions along the vessel")
        met = SPEED_MM_S[0] <= stated <= SPEED_MM_S[1]
        return (
            say_mean(stated, f"{stated:g} mm/s, stated by the file", met),
            say_steady(None, "driven by a motor; not measured"),
        )
    speeds = _moving_speeds(np.asarray(run.timing.times_s), result.axis.position_mm)
    if not speeds.size:
        return say_mean(None, "no motion was found"), say_steady(None, "no motion was found")
    mean = float(speeds.mean())
    share = float(np.mean((speeds >= mean / 2) & (speeds <= mean * 2)))
    return (
        say_mean(mean, f"{mean:.2f} mm/s", SPEED_MM_S[0] <= mean <= SPEED_MM_S[1]),
        say_steady(share, f"{share:.0%} of the time", share >= STEADY_SHARE),
    )


def _moving_speeds(times_s: FloatArray, position_mm: FloatArray) -> FloatArray:
    """Speed in half-second steps between the first and the last motion (rest before and after is no pullback)."""
    known = np.isfinite(position_mm)
    if known.sum() < 2:
        return np.empty(0)
    grid = np.arange(times_s[known][0], times_s[known][-1], 0.5)
    place = np.interp(grid, times_s[known], position_mm[known])
    total = place[-1] - place[0]
    if len(grid) < 3 or abs(total) < 0.5:
        return np.empty(0)
    first = int(np.argmax(place > place[0] + 0.03 * total))
    last = len(place) - 1 - int(np.argmax(place[::-1] < place[-1] - 0.03 * total))
    speeds: FloatArray = np.diff(place[max(first - 1, 0) : last + 2]) / 0.5
    return speeds


def _marker_seen(result: Coregistration | None) -> Check:
    say = _saying("marker_visible", "marker visible throughout", f"in >= {_VISIBLE_SHARE:.0%} of the frames", "")
    if result is None:
        return say(None, "not tracked: give fluoroscopy and cine")
    share = float(np.mean(result.marker.seen))
    return say(share, f"in {share:.0%} of the frames", share >= _VISIBLE_SHARE)


def _path_in_view(result: Coregistration | None, cine: XrayRun | None) -> Check:
    say = _saying("path_in_view", "whole path in view", "clear of the picture's edge", "px")
    if result is None or cine is None:
        return say(None, "no path: give fluoroscopy and cine")
    places = result.path_px[np.isfinite(result.path_px[:, 0])]
    return _clearance(say, places, cine)


def _clearance(say: Callable[..., Check], places_px: FloatArray, cine: XrayRun) -> Check:
    sides = np.array([cine.columns - 1, cine.rows - 1])
    clearance = float(np.minimum(places_px, sides - places_px).min())
    return say(clearance, f"nearest {clearance:.0f} px from the edge", clearance >= _MARGIN_PX)


def _guide_in_view(run: Run, result: Coregistration | None, cine: XrayRun | None) -> Check:
    """The marker ends at or in the guide, so the tip lies about where it came farthest, if that was filmed."""
    say = _saying("guide_tip_in_view", "guide catheter tip in view", "clear of the picture's edge", "px")
    if result is None or cine is None:
        return say(None, "no path: give fluoroscopy and cine")
    known = np.flatnonzero(np.isfinite(result.arc_mm))
    if not known.size or known[-1] < run.n_frames - round(0.1 * run.n_frames):
        return say(None, "the end of the pullback was not filmed")
    proximal = result.path_px[known[int(np.argmax(result.arc_mm[known]))]]
    return _clearance(say, proximal[None, :], cine)


def _filling(result: Coregistration | None) -> Check:
    say = _saying("filling", "contrast fills the analysed length", f">= {_FILLED_SHARE:.0%} of it", "")
    if result is None:
        return say(None, "no path: give fluoroscopy and cine")
    share = result.line.filled_share
    return say(share, f"{share:.0%} of the path", share >= _FILLED_SHARE)


_VIEWS: Mapping[Vessel, tuple[str, Callable[[float, float], bool]]] = {
    Vessel.LAD: ("cranial", lambda _, secondary: secondary >= 10),
    Vessel.DIAGONAL: ("cranial", lambda _, secondary: secondary >= 10),
    Vessel.LCX: ("caudal", lambda _, secondary: secondary <= -10),
    Vessel.MARGINAL: ("caudal", lambda _, secondary: secondary <= -10),
    Vessel.RCA: ("left oblique, slightly cranial", lambda primary, secondary: primary >= 20 and 0 <= secondary <= 30),
}


def _view_suits(vessel: Vessel | None, film: XrayRun | None) -> Check:
    wanted, suits = _VIEWS.get(vessel, ("a view suited to the vessel", None)) if vessel else ("", None)
    say = _saying("view", "view suited to the vessel", wanted or "a view suited to the vessel", "deg")
    if film is None:
        return say(None, "no X-ray run")
    primary, secondary = float(film.primary_deg[0]), float(film.secondary_deg[0])
    if not np.isfinite(primary + secondary):
        return say(None, "the positioner angles are not stated")
    angles = (
        f"{'left' if primary >= 0 else 'right'} oblique {abs(primary):g}, "
        f"{'cranial' if secondary >= 0 else 'caudal'} {abs(secondary):g}"
    )
    if suits is None:
        return say(None, f"{angles}; {'no view is laid down for this vessel' if vessel else 'state --vessel'}")
    return say(secondary, f"{angles} ({vessel})", suits(primary, secondary))


def _unmoved(fluoro: XrayRun | None, cine: XrayRun | None) -> Check:
    say = _saying(
        "unmoved", "view and table unmoved between fluoroscopy and cine", f"angles within {SAME_VIEW_DEG:g} deg", "deg"
    )
    if fluoro is None or cine is None:
        return say(None, "needs both X-ray runs")
    apart = np.abs([fluoro.primary_deg[0] - cine.primary_deg[0], fluoro.secondary_deg[0] - cine.secondary_deg[0]])
    if not np.isfinite(apart).all():
        return say(None, "the positioner angles are not stated")
    largest = float(apart.max())
    moves = [run.positioner_moves or run.table_moves for run in (fluoro, cine)]
    if any(moves):
        return say(largest, "the file says that positioner or table moved", False)
    table = "" if fluoro.table_moves is False and cine.table_moves is False else "; table motion is not stated"
    return say(largest, f"angles differ by {largest:.1f} deg{table}", largest <= SAME_VIEW_DEG)


def _vasodilator(given: bool | None) -> Check:
    say = _saying("vasodilator", "vasodilator given before imaging", "given", "")
    if given is None:
        return say(None, "no note by the operator")
    return say(None, "noted by the operator as given" if given else "noted by the operator as not given", given)


def _saying(id_: str, condition: str, wanted: str, unit: str) -> Callable[..., Check]:
    """A function that completes one check: value, words, and whether it is met (None = not assessable)."""

    def say(value: float | None, measured: str, met: bool | None = None) -> Check:
        verdict = Verdict.NOT_ASSESSABLE if met is None else (Verdict.MET if met else Verdict.NOT_MET)
        return Check(id_, condition, wanted, measured, verdict, value, unit)

    return say
