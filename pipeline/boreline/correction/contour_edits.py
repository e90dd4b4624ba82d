"""Edits of a contour: the edited frame is solved again, the other border gives way, and neighbours follow softly."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from boreline.correction.border import Border, angle_of
from boreline.correction.coupling import coupled
from boreline.correction.edits import Bridge, Points, Stroke, array_px
from boreline.correction.following import Follower
from boreline.correction.neighbours import REACH_FRAMES, Correction
from boreline.correction.points import through_points
from boreline.correction.state import Baseline, Key, State, border_at
from boreline.correction.strokes import along_stroke, bridged
from boreline.errors import InputRefused
from boreline.model import FloatArray, GreyImage, Structure

_OTHER = {Structure.LUMEN: Structure.EEM, Structure.EEM: Structure.LUMEN}


def apply_contour(baseline: Baseline, state: State, edit: Points | Stroke | Bridge) -> tuple[State, frozenset[int]]:
    """The state after an edit of one frame's contour, and the frames (0-based) in which it changed one.

    Raises
    ------
    InputRefused
        The frame is accepted, or the edit has no solution.
    """
    frame, structure = edit.index, edit.structure
    require_open(state, [frame], "its contours")
    mm = baseline.calibration.mm_per_px
    key = (structure, frame)
    before = border_at(baseline, state, structure, frame).scaled(mm)
    grey = None if baseline.picture_of is None else baseline.picture_of(frame)
    after = _solved(edit, before, grey, mm)
    hidden = dict(state.hidden_deg)
    if isinstance(edit, Bridge) and structure is Structure.EEM:
        hidden[frame] = max(hidden.get(frame, 0.0), _span_deg(array_px((edit.from_px, edit.to_px)) * mm, after.centre))
    changed: dict[Key, Border] = {}
    held_back = False
    if structure in _OTHER:
        other_key = (_OTHER[structure], frame)
        other = border_at(baseline, state, *other_key).scaled(mm)
        both = coupled(structure, before, after, other, fixed=other_key in state.edited)
        after, held_back = both.moved, both.held_back
        if both.other is not other:
            changed[other_key] = both.other.scaled(1.0 / mm)
    changed |= _followers(baseline, state, edit, before, after, grey)
    return replace(
        state,
        borders={**state.borders, **changed, key: after.scaled(1.0 / mm)},
        edited=state.edited | {key},
        influenced=(state.influenced | changed.keys()) - {key},
        held_back=(state.held_back | {key}) if held_back else state.held_back - {key},
        hidden_deg=hidden,
    ), frozenset({frame, *(other for _, other in changed)})


def _solved(edit: Points | Stroke | Bridge, before: Border, grey: GreyImage | None, mm: FloatArray) -> Border:
    match edit:
        case Points():
            return through_points(before, array_px(edit.points_px) * mm, grey=grey, mm_per_px=mm)
        case Stroke():
            return along_stroke(before, array_px(edit.points_px) * mm, closed=edit.closed)
        case Bridge():
            start, end = array_px((edit.from_px, edit.to_px)) * mm
            return bridged(before, start, end)


def _followers(
    baseline: Baseline,
    state: State,
    edit: Points | Stroke | Bridge,
    before: Border,
    after: Border,
    grey: GreyImage | None,
) -> Mapping[Key, Border]:
    """Neighbouring contours of the same structure as they follow, in pixels."""
    structure, mm = edit.structure, baseline.calibration.mm_per_px
    picture_of = baseline.picture_of
    follower: Follower | None = None
    if grey is not None and not isinstance(edit, Bridge):  # what was bridged cannot be found in a picture
        follower = Follower(grey, before, after, mm, one_way=isinstance(edit, Points))
        if not follower.usable:
            follower = None
    correction = Correction(before, after) if follower is None else None

    def side(way: int) -> dict[Key, Border]:
        frames = _open_frames(baseline, state, structure, edit.index, way, through=follower is None)
        borders = [border_at(baseline, state, structure, f).scaled(mm) for f in frames]
        if follower is not None and picture_of is not None:
            followed = dict(follower.along(frames, borders, picture_of))
        else:
            assert correction is not None
            offers = [correction.offer(b, abs(f - edit.index)) for f, b in zip(frames, borders, strict=True)]
            followed = {f: offer for f, offer in zip(frames, offers, strict=True) if offer is not None}
        return {
            (structure, f): _within(baseline, state, structure, f, border).scaled(1.0 / mm)
            for f, border in followed.items()
        }

    if follower is None:
        return side(1) | side(-1)
    with ThreadPoolExecutor(2) as both:  # decoding and searching let go of the interpreter's lock
        forwards, backwards = both.map(side, (1, -1))
    return forwards | backwards


def _open_frames(
    baseline: Baseline, state: State, structure: Structure, frame: int, way: int, *, through: bool
) -> list[int]:
    """Frames on one side that may follow, nearest first; without `through` the operator's own frame ends them."""
    out: list[int] = []
    for other in range(frame + way, frame + way * (REACH_FRAMES + 1), way):
        settled = (structure, other) in state.edited or other in state.accepted
        if not 0 <= other < baseline.n_frames or (settled and not through):
            break
        if not settled:
            out.append(other)
    return out


def _within(baseline: Baseline, state: State, structure: Structure, frame: int, border: Border) -> Border:
    """A neighbour's border, held back at the other border of its frame: soft corrections move one border only."""
    if structure not in _OTHER:
        return border
    mm = baseline.calibration.mm_per_px
    before = border_at(baseline, state, structure, frame).scaled(mm)
    other = border_at(baseline, state, _OTHER[structure], frame).scaled(mm)
    try:
        return coupled(structure, before, border, other, fixed=True).moved
    except InputRefused:  # it would cross a border that cannot be described by angle: it stays
        return before


def _span_deg(ends: FloatArray, apex: FloatArray) -> float:
    first, last = angle_of(ends, apex)
    return float(np.degrees(last - first) % 360.0)


def require_open(state: State, frames: range | list[int], what: str) -> None:
    """Refuse a change of accepted frames."""
    locked = sorted(state.accepted.intersection(frames))
    if locked:
        raise InputRefused(f"frame {locked[0] + 1} is accepted: {what} cannot change", remedy="reopen it first")
