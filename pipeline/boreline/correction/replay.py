"""From a log to contours: the automatic result plus the edits in force, always with the same result."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from boreline.correction.applying import apply_edit
from boreline.correction.border import Border, angle_of
from boreline.correction.edits import Attenuated, Branch, Entry, Finding, SiteName, array_px
from boreline.correction.history import History, history
from boreline.correction.state import Baseline, State, border_at, scaled_calibration
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.geometry import contour_centroids_px
from boreline.model import BoolArray, Calibration, Contours, FloatArray, SectorKind, Sectors, Segmentation, Structure

READER_SD_MM2 = {Structure.LUMEN: 0.23, Structure.EEM: 0.35, Structure.STENT: 0.23}
"""Standard uncertainty of an area that a reader drew or accepted. Lumen: 0.32 mm2 root mean square between two
readers (Kubo, 2013) over the square root of 2; EEM: between core laboratories 0.4 to 0.8 mm2 (common practice, no
source), the middle over nearly the same; stent as lumen."""
READER_CONFIDENCE = 0.99
"""A contour that an operator set or accepted (own choice)."""
HIDDEN_LIMIT_DEG = 90.0


@dataclass(frozen=True, slots=True)
class Edited:
    """A run as one reader left it, ready to be measured.

    Attributes
    ----------
    reviewed
        Shape (n_frames,): accepted, rejected or edited.
    sites
        Named places, 0-based frames.
    """

    segmentation: Segmentation
    calibration: Calibration
    reviewed: BoolArray
    sites: dict[SiteName, int]
    findings: tuple[Finding, ...]
    stent: tuple[int, int] | bool | None


@dataclass(frozen=True, slots=True)
class Replayed:
    """Where a log leads. `refused`: entries that have no solution here, with the reason; they change nothing.

    Each was applied once. One that is refused was made on another version's contours, which `reanalyse` reports.
    """

    state: State
    history: History
    refused: tuple[tuple[Entry, str], ...] = ()


def replay(baseline: Baseline, entries: Iterable[Entry], *, sop_uid: str | None = None) -> Replayed:
    """Apply every entry in force, oldest first.

    Parameters
    ----------
    sop_uid
        The run at hand; None does not check.

    Raises
    ------
    InputRefused
        An entry was made on another run.
    """
    state, refused = State(), []
    past = history(entries)
    for entry in past.active:
        if sop_uid is not None and entry.sop_uid != sop_uid:
            raise InputRefused(
                f"edit {entry.number} was made on another run",
                tag="sop_uid",
                remedy="name the log that belongs to this run",
            )
        try:
            state, _ = apply_edit(baseline, state, entry.edit)
        except InputRefused as refusal:
            refused.append((entry, str(refusal)))
    return Replayed(state, past, tuple(refused))


def edited_result(baseline: Baseline, state: State) -> Edited:
    """Put the whole result together: contours, sectors, flags and uncertainties as edits left them."""
    automatic = baseline.segmentation
    n = baseline.n_frames
    contours = {structure: _contours(baseline, state, structure) for structure in Structure}
    hidden = automatic.eem_hidden_deg.copy()
    for frame, span in state.hidden_deg.items():
        hidden[frame] = np.fmax(hidden[frame], span)
        if span >= HIDDEN_LIMIT_DEG:
            contours[Structure.EEM] = contours[Structure.EEM].only(f for f in range(n) if f != frame)
    if state.stent is not None:
        contours[Structure.STENT] = contours[Structure.STENT].only(f for f in range(n) if _stented(state, f))
    confidence, sd = _trust(automatic, state, contours)
    malapposition = automatic.malapposition_mm.copy()
    malapposition[~contours[Structure.STENT].present] = np.nan
    segmentation = replace(
        automatic,
        contours=contours,
        sectors=_sectors(automatic.sectors, state, contours[Structure.LUMEN], baseline.calibration),
        confidence=confidence,
        area_sd_mm2=sd,
        eem_hidden_deg=hidden,
        malapposition_mm=malapposition,
        flags=tuple(frame_flags(baseline, state, frame) for frame in range(n)),
    )
    reviewed = np.zeros(n, dtype=np.bool_)
    reviewed[sorted(state.reviewed)] = True
    return Edited(
        segmentation,
        scaled_calibration(baseline, state),
        reviewed,
        dict(state.sites),
        state.findings,
        state.stent,
    )


def frame_flags(baseline: Baseline, state: State, frame: int) -> frozenset[Flag]:
    """The flags of one frame as edits left them."""
    words = set(baseline.segmentation.flags[frame])
    if frame in state.places:
        words -= {Flag.IN_GUIDE, Flag.OUTSIDE_VESSEL}
        place = state.places[frame]
        if place is not None:
            words.add(place)
    if any(frame in branch.indices for branch in state.branches):
        words.add(Flag.BRANCH)
    if state.stent is not None:
        words.discard(Flag.STENT)
        if _stented(state, frame):
            words.add(Flag.STENT)
        else:
            words.discard(Flag.MALAPPOSED)
    if frame in state.rejected:
        words.add(Flag.REJECTED)
    if any((structure, frame) in state.edited for structure in Structure):
        words.add(Flag.EDITED)
    if any((structure, frame) in state.influenced for structure in Structure):
        words.add(Flag.INFLUENCED)
    for structure, doubtful in ((Structure.LUMEN, Flag.LUMEN_DOUBTFUL), (Structure.EEM, Flag.EEM_DOUBTFUL)):
        if frame in state.accepted or (structure, frame) in state.edited:
            words.discard(doubtful)
    if (Structure.EEM, frame) in state.edited:
        words -= {Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW}
        if len(border_at(baseline, state, Structure.EEM, frame)) == 0:
            words.add(Flag.EEM_HIDDEN)
    if state.hidden_deg.get(frame, 0.0) >= HIDDEN_LIMIT_DEG:
        words.add(Flag.EEM_HIDDEN)
    return frozenset(words)


def _stented(state: State, frame: int) -> bool:
    return isinstance(state.stent, tuple) and state.stent[0] <= frame <= state.stent[1]


def _contours(baseline: Baseline, state: State, structure: Structure) -> Contours:
    automatic = baseline.segmentation.contours[structure]
    if not any(key[0] is structure for key in state.borders):
        return automatic
    borders = [border_at(baseline, state, structure, frame) for frame in range(baseline.n_frames)]
    return _packed(structure, borders)


def _packed(structure: Structure, borders: list[Border]) -> Contours:
    return Contours.from_polygons(
        structure, [b.xy for b in borders], [b.seen for b in borders], [b.origin for b in borders]
    )


def _trust(
    automatic: Segmentation, state: State, contours: dict[Structure, Contours]
) -> tuple[dict[Structure, FloatArray], dict[Structure, FloatArray]]:
    """Confidence and area uncertainty: a reader's where one set or accepted the contour, else automatic."""
    confidence, sd = {}, {}
    for structure in Structure:
        sure = automatic.confidence[structure].copy()
        spread = automatic.area_sd_mm2[structure].copy()
        by_reader = sorted(state.accepted | {f for s, f in state.edited if s is structure})
        sure[by_reader] = READER_CONFIDENCE
        spread[by_reader] = np.fmin(spread[by_reader], READER_SD_MM2[structure])
        absent = ~contours[structure].present
        sure[absent], spread[absent] = np.nan, np.nan
        confidence[structure], sd[structure] = sure, spread
    return confidence, sd


def _sectors(automatic: Sectors, state: State, lumen: Contours, calibration: Calibration) -> Sectors:
    """The automatic sectors, with the operator's branches and attenuated plaque added."""
    marked: list[tuple[Branch | Attenuated, SectorKind]] = [(branch, SectorKind.BRANCH) for branch in state.branches]
    marked += [(found, SectorKind.ATTENUATED) for found in state.findings if isinstance(found, Attenuated)]
    if not marked:
        return automatic
    apexes = contour_centroids_px(lumen)
    rows: list[tuple[int, SectorKind, float, float]] = []
    for edit, kind in marked:
        if edit.from_px is None or edit.to_px is None:
            continue
        ends = array_px((edit.from_px, edit.to_px)) * calibration.mm_per_px
        for frame in edit.indices:
            if np.isfinite(apexes[frame]).all():
                first, last = np.degrees(angle_of(ends, apexes[frame] * calibration.mm_per_px)) % 360.0
                rows.append((frame, kind, float(first), float(first + ((last - first) % 360.0 or 360.0))))
    numbers = np.concatenate([automatic.frame, np.array([row[0] for row in rows], dtype=np.int64)])
    order = np.argsort(numbers, kind="stable")
    kinds = (*automatic.kind, *(row[1] for row in rows))
    return Sectors(
        numbers[order],
        tuple(kinds[i] for i in order),
        np.concatenate([automatic.start_deg, [row[2] for row in rows]])[order],
        np.concatenate([automatic.end_deg, [row[3] for row in rows]])[order],
        np.concatenate([automatic.depth_mm, np.full(len(rows), np.nan)])[order],
    )
