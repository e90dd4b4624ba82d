"""One edit after another: the state that each leads to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from boreline.correction.border import Border
from boreline.correction.contour_edits import apply_contour, require_open
from boreline.correction.edits import (
    Accept,
    Attenuated,
    Branch,
    Bridge,
    Dissection,
    Edit,
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
    Stent,
    Stroke,
    Undo,
)
from boreline.correction.state import NOTHING, Baseline, State
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import Structure

_PLACES = {"in_guide": Flag.IN_GUIDE, "outside_vessel": Flag.OUTSIDE_VESSEL, "in_vessel": None}


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
            return apply_contour(baseline, state, edit)
        case NotMeasurable(indices=frames):
            require_open(state, frames, "the EEM")
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
            raise InputRefused(
                "undo and redo act on the history, not on contours",
                tag=edit.kind,
                remedy="replay the log as a whole with 'boreline review DIR --apply LOG'",
            )


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
        raise InputRefused(
            f"frame {last} lies beyond the run's {baseline.n_frames} frames", tag="frame", remedy="count frames from 1"
        )
