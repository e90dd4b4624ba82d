"""A run as one reader left it: the automatic result plus edits, one frozen state after each edit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from boreline.correction.border import Border, angle_of
from boreline.correction.edits import (
    Accept,
    Attenuated,
    Branch,
    Bridge,
    Dissection,
    Edit,
    Finding,
    Nodule,
    NoStent,
    NotMeasurable,
    Place,
    Points,
    Protrusion,
    Redo,
    Reject,
    Reopen,
    Ruler,
    Site,
    SiteName,
    Stent,
    Stroke,
    Undo,
    array_px,
)
from boreline.correction.neighbours import REACH_FRAMES, Correction
from boreline.correction.points import through_points
from boreline.correction.strokes import along_stroke, bridged
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import Calibration, CalibrationOrigin, Contours, FloatArray, Segmentation, Structure

Key = tuple[Structure, int]
NOTHING = frozenset[int]()
_PLACES = {"in_guide": Flag.IN_GUIDE, "outside_vessel": Flag.OUTSIDE_VESSEL, "in_vessel": None}


@dataclass(frozen=True, slots=True)
class Baseline:
    """What edits apply to: the automatic result, untouched, and the scale it was measured with."""

    segmentation: Segmentation
    calibration: Calibration

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return self.segmentation.n_frames


@dataclass(frozen=True, slots=True)
class State:
    """Everything that edits changed; what is not listed is automatic. Frames count from 0.

    Attributes
    ----------
    borders
        Changed contours in pixels; an empty one was taken away.
    edited, influenced
        Contours that an operator set, and those that followed a neighbour.
    hidden_deg
        Angle over which the EEM was bridged, by frame.
    places
        Where the transducer was, by frame; None inside the vessel.
    stent
        First and last frame, False for "no stent", None when nothing was said.
    scale
        Millimetres per pixel are the baseline's times this.
    """

    borders: Mapping[Key, Border] = field(default_factory=dict)
    edited: frozenset[Key] = frozenset()
    influenced: frozenset[Key] = frozenset()
    hidden_deg: Mapping[int, float] = field(default_factory=dict)
    accepted: frozenset[int] = NOTHING
    rejected: frozenset[int] = NOTHING
    places: Mapping[int, Flag | None] = field(default_factory=dict)
    branches: tuple[Branch, ...] = ()
    findings: tuple[Finding, ...] = ()
    stent: tuple[int, int] | bool | None = None
    sites: Mapping[SiteName, int] = field(default_factory=dict)
    scale: float = 1.0
    ruler: Ruler | None = None

    @property
    def reviewed(self) -> frozenset[int]:
        """Frames that an operator accepted, rejected or edited."""
        return self.accepted | self.rejected | {frame for _, frame in self.edited}


def border_at(baseline: Baseline, state: State, structure: Structure, frame: int) -> Border:
    """The current border in pixels; without vertices where there is none."""
    changed = state.borders.get((structure, frame))
    return from_contours(baseline.segmentation.contours[structure], frame) if changed is None else changed


def from_contours(contours: Contours, frame: int) -> Border:
    """One frame's polygon as a border."""
    return Border(contours.polygon(frame), contours.seen_at(frame), contours.origin_at(frame))


def scaled_calibration(baseline: Baseline, state: State) -> Calibration:
    """The calibration in force: the baseline's, or the operator's ruler."""
    was = baseline.calibration
    if state.ruler is None:
        return was
    return Calibration(
        was.mm_per_px_x * state.scale,
        was.mm_per_px_y * state.scale,
        CalibrationOrigin.OPERATOR,
        f"ruler in frame {state.ruler.frame}: {state.ruler.length_mm:g} mm",
    )


def apply_edit(baseline: Baseline, state: State, edit: Edit | Undo | Redo) -> tuple[State, frozenset[int]]:
    """The state after one more edit, and the frames (0-based) in which it changed something. Pure.

    Raises
    ------
    InputRefused
        The edit names a frame that does not exist, changes an accepted frame, or has no solution.
    """
    _require_frames(baseline, edit)
    match edit:
        case Points() | Stroke() | Bridge():
            return _apply_contour(baseline, state, edit)
        case NotMeasurable(indices=frames):
            _require_open(state, frames, "the EEM")
            gone = {(Structure.EEM, f): _nothing() for f in frames}
            changed = replace(
                state,
                borders={**state.borders, **gone},
                edited=state.edited | set(gone),
                influenced=state.influenced - set(gone),
            )
            return changed, frozenset(frames)
        case Accept(indices=frames):
            return (
                replace(state, accepted=state.accepted | set(frames), rejected=state.rejected - set(frames)),
                frozenset(frames),
            )
        case Reject(indices=frames):
            return (
                replace(state, rejected=state.rejected | set(frames), accepted=state.accepted - set(frames)),
                frozenset(frames),
            )
        case Reopen(indices=frames):
            return (
                replace(state, accepted=state.accepted - set(frames), rejected=state.rejected - set(frames)),
                frozenset(frames),
            )
        case Place(indices=frames, where=where):
            return replace(state, places={**state.places, **dict.fromkeys(frames, _PLACES[where])}), frozenset(frames)
        case Branch(indices=frames):
            return replace(state, branches=(*state.branches, edit)), frozenset(frames)
        case Dissection() | Nodule() | Attenuated() | Protrusion():
            return replace(state, findings=(*state.findings, edit)), frozenset(edit.indices)
        case Stent(first=first, last=last):
            return replace(state, stent=(first - 1, last - 1)), frozenset(range(baseline.n_frames))
        case NoStent():
            return replace(state, stent=False), frozenset(range(baseline.n_frames))
        case Site(name=name, frame=frame):
            others = {key: value for key, value in state.sites.items() if key != name}
            return replace(state, sites=others if frame is None else {**others, name: frame - 1}), NOTHING
        case Ruler():
            if edit.use == "check":
                return state, NOTHING
            scale = edit.length_mm / edit.measured_mm(baseline.calibration.mm_per_px)
            return replace(state, scale=scale, ruler=edit), frozenset(range(baseline.n_frames))
        case Undo() | Redo():
            raise InputRefused("undo and redo act on the history, not on contours", tag=edit.kind)


def _apply_contour(baseline: Baseline, state: State, edit: Points | Stroke | Bridge) -> tuple[State, frozenset[int]]:
    frame, structure = edit.index, edit.structure
    _require_open(state, [frame], "its contours")
    mm = baseline.calibration.mm_per_px
    before = border_at(baseline, state, structure, frame).scaled(mm)
    hidden = dict(state.hidden_deg)
    match edit:
        case Points():
            after = through_points(before, array_px(edit.points_px) * mm)
        case Stroke():
            after = along_stroke(before, array_px(edit.points_px) * mm, closed=edit.closed)
        case Bridge():
            ends = array_px((edit.from_px, edit.to_px)) * mm
            after = bridged(before, ends[0], ends[1])
            if structure is Structure.EEM:
                hidden[frame] = max(hidden.get(frame, 0.0), _span_deg(ends, after.centre))
    borders = {**state.borders, (structure, frame): after.scaled(1.0 / mm)}
    followers: set[Key] = set()
    correction = Correction(before, after)
    for other in range(max(0, frame - REACH_FRAMES), min(baseline.n_frames, frame + REACH_FRAMES + 1)):
        key = (structure, other)
        if other == frame or key in state.edited or other in state.accepted:
            continue
        moved = correction.offer(border_at(baseline, state, structure, other).scaled(mm), abs(other - frame))
        if moved is not None:
            borders[key] = moved.scaled(1.0 / mm)
            followers.add(key)
    changed = replace(
        state,
        borders=borders,
        edited=state.edited | {(structure, frame)},
        influenced=(state.influenced | followers) - {(structure, frame)},
        hidden_deg=hidden,
    )
    return changed, frozenset({frame, *(other for _, other in followers)})


def _span_deg(ends: FloatArray, apex: FloatArray) -> float:
    first, last = angle_of(ends, apex)
    return float(np.degrees(last - first) % 360.0)


def _nothing() -> Border:
    return Border(np.empty((0, 2)), np.empty(0, dtype=np.bool_), np.empty(0, dtype=np.uint8))


def _require_frames(baseline: Baseline, edit: Edit | Undo | Redo) -> None:
    match edit:
        case NoStent() | Undo() | Redo():
            return
        case Site():
            last = edit.frame or 0
        case _:
            last = edit.indices.stop
    if last > baseline.n_frames:
        raise InputRefused(f"frame {last} lies beyond the run's {baseline.n_frames} frames", tag="frame")


def _require_open(state: State, frames: range | list[int], what: str) -> None:
    locked = sorted(state.accepted.intersection(frames))
    if locked:
        raise InputRefused(f"frame {locked[0] + 1} is accepted: {what} cannot change", remedy="reopen it first")
