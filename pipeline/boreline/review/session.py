"""One run under review: its state in memory, its log on the disk, its tables rebuilt behind the operator's back."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from threading import RLock, Timer
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from boreline.correction import (
    Edit,
    Edited,
    Entry,
    LogWriter,
    Redo,
    Replayed,
    State,
    Undo,
    apply_edit,
    border_at,
    edited_result,
    log_path,
    replay,
)
from boreline.correction.edits import Nodule
from boreline.correction.log import hash_of
from boreline.correction.replay import HIDDEN_LIMIT_DEG, READER_CONFIDENCE, frame_flags
from boreline.correction.state import scaled_calibration
from boreline.errors import InputRefused
from boreline.flags import NOT_VESSEL, join_flags, parse_flags
from boreline.geometry import polygon_area_mm2, polygon_diameters_mm
from boreline.model import JsonValue, Run, Structure, Timing
from boreline.profile.frames import frames_table, in_vessel, origin_in_vessel
from boreline.results import ResultFolder, json_ready
from boreline.review.decision import decision
from boreline.review.pixels import Pixels
from boreline.workflow.apply_edits import baseline_of, operator_record, write_edited
from boreline.workflow.doubt import NEAR_FRAMES, NEAR_MM, STRETCH_FRAMES, STRETCH_MM, WRONG_RELATIVE_SD, doubt
from boreline.workflow.review_figures import Figures, read_figures

KEPT_STATES = 64
SAVE_AFTER_S = 10.0
QUEUE_LENGTH = 200
BULK_FRAMES = 100
"""An edit that changes more frames than this is measured over the whole run."""
HUNDREDTHS = 100
NUMBERS = (
    "lumen_area_mm2",
    "lumen_min_diameter_mm",
    "lumen_max_diameter_mm",
    "eem_area_mm2",
    "stent_area_mm2",
    "plaque_burden_pct",
    "confidence",
    "eem_confidence",
)
_CONFIDENCE = {
    Structure.LUMEN: "confidence",
    Structure.EEM: "eem_confidence",
    Structure.STENT: "stent_confidence",
}


Columns = dict[str, npt.NDArray[Any]]
"""The columns of the frames table; replaced, never changed, so that readers need no lock."""


class Outdated(Exception):
    """The page spoke of a state that another page has changed since."""


class RunSession:
    """Everything the page asks of one run; safe to call from several threads."""

    def __init__(
        self, folder: ResultFolder, reader: str, *, source: Path | None = None, save_after_s: float = SAVE_AFTER_S
    ) -> None:
        self.folder = folder
        self.reader = reader
        self._lock = RLock()
        self._record = folder.record
        self._baseline = baseline_of(folder)
        self.run: Run = folder.open_run(source)
        self.pixels = Pixels(self.run)
        uid = self._record["source"]["sop_instance_uid"]
        self._log = LogWriter(log_path(folder.path, reader), reader, uid)
        try:
            replayed = replay(self._baseline, self._log.entries, sop_uid=uid)
        except InputRefused:
            self._log.close()
            raise
        self._state, self._history, self._refused = replayed.state, replayed.history, replayed.refused
        self._earlier: deque[tuple[int, State]] = deque(maxlen=KEPT_STATES)
        self._was = folder.frames()
        self._axis = folder.axis()
        self._columns = self._measure_all()
        self._figures: tuple[int, Figures] | None = None
        self._save_after_s = save_after_s
        self._timer: Timer | None = None
        current = (self._record["current_reader"], self._record["edits_hash"])
        if self._log.entries and current != (reader, hash_of(self._log.entries)):
            self.save()

    # ------------------------------------------------------------------------------------------ reading

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return self._baseline.n_frames

    @property
    def revision(self) -> int:
        """Entries in the log: a page that knows an older number is out of date."""
        return len(self._log.entries)

    def summary(self) -> dict[str, JsonValue]:
        """The run in general: what never changes while it is reviewed, and the revision."""
        record, region = self._record, self.pixels.region
        calibration = scaled_calibration(self._baseline, self._state)
        return {
            "name": self.folder.path.resolve().name,
            "reader": self.reader,
            "revision": self.revision,
            "n_frames": self.n_frames,
            "phase": record["phase"],
            "vessel": record["vessel"],
            "width_px": region.width_px,
            "height_px": region.height_px,
            "x0_px": region.x0,
            "y0_px": region.y0,
            "mm_per_px_x": calibration.mm_per_px_x,
            "mm_per_px_y": calibration.mm_per_px_y,
            "calibration_detail": calibration.detail,
            "axis_source": self._axis.source.value,
            "axis_detail": self._axis.detail,
            "in_mm": bool(np.isfinite(self._columns["position_mm"]).any()),
            "segmenter": record["segmenter"]["name"],
            "not_applied": [{"number": e.number, "reason": reason} for e, reason in self._refused],
        }

    def numbers(self) -> dict[str, JsonValue]:
        """Per-frame columns for the whole run, with the revision they belong to."""
        with self._lock:
            columns = self._columns
            out: dict[str, JsonValue] = {name: _rounded(columns[name]) for name in (*NUMBERS, "position_mm")}
            out["time_s"] = _rounded(columns["time_s"], 4)
            out["flags"] = columns["flags"].tolist()
            out["state"] = [self._standing(frame) for frame in range(self.n_frames)]
            return {"revision": self.revision, **out}

    def contours(self, first: int, count: int, *, automatic: bool = False) -> dict[str, JsonValue]:
        """Contours of a block of frames (0-based start), as the page draws them."""
        with self._lock:
            state = State() if automatic else self._state
            stop = min(first + count, self.n_frames)
            return {
                "revision": self.revision,
                "frames": [self._drawn(state, frame) for frame in range(first, stop)],
            }

    def figures(self) -> dict[str, JsonValue]:
        """Sites, lengths and the queue of doubtful frames."""
        with self._lock:
            revision, columns, state, known = self.revision, self._columns, self._state, self._figures
        if known is None or known[0] != revision:
            known = (revision, read_figures(pd.DataFrame(columns), state.sites))
            self._figures = known
        figures = known[1]
        in_mm = bool(np.isfinite(columns["position_mm"]).any())
        place = columns["position_mm"] if in_mm else np.arange(self.n_frames, dtype=float)
        queue = doubt(
            place,
            in_mm=in_mm,
            lumen_area_mm2=columns["lumen_area_mm2"],
            confidence=columns["confidence"],
            eem_confidence=columns["eem_confidence"],
            stent_confidence=columns["stent_confidence"],
            usable=np.array([not (parse_flags(cell) & NOT_VESSEL) for cell in columns["flags"]], dtype=bool),
            reviewed=columns["reviewed"].astype(bool),
            sites=figures.sites,
        )
        near = f"{NEAR_MM:g} mm" if in_mm else f"{NEAR_FRAMES} frames"
        stretch = f"{STRETCH_MM:g} mm" if in_mm else f"{STRETCH_FRAMES} frames"
        ready = json_ready(
            {
                "revision": revision,
                **figures.document,
                "queue": [
                    {"frame": int(frame) + 1, "chance": round(float(queue.chance[frame]), 4)}
                    for frame in queue.order[:QUEUE_LENGTH]
                ],
                "stretches_read": queue.n_read,
                "stretches_left": queue.n_left,
                "nothing_changes": queue.nothing_changes,
                "enough": queue.enough,
                "assumed": f"stated confidences are right; frames within {stretch} err together; decisions are read "
                f"within {near} of the sites or at the smallest area; a wrong area is off by "
                f"{WRONG_RELATIVE_SD:.0%}",
            }
        )
        assert isinstance(ready, dict)
        return ready

    def decision(self) -> dict[str, JsonValue]:
        """Sizing and expansion as the contours and sites stand now."""
        with self._lock:
            revision, columns, state = self.revision, self._columns, self._state
        nodule = True if any(isinstance(finding, Nodule) for finding in state.findings) else None
        return {"revision": revision, **decision(pd.DataFrame(columns), self._record, state.sites, nodule=nodule)}

    def operator(self) -> dict[str, JsonValue]:
        """What the operator said beyond contours, and what undo and redo would do."""
        with self._lock:
            edited = edited_result(self._baseline, self._state)
            said = operator_record(edited, self._history.active, self._baseline)
            return {
                "revision": self.revision,
                **said,
                "undo": self._history.active[-1].edit.kind if self._history.active else None,
                "redo": self._history.undone[0].edit.kind if self._history.undone else None,
            }

    # ------------------------------------------------------------------------------------------ writing

    def add(self, edit: Edit, *, revision: int, why: str = "") -> dict[str, JsonValue]:
        """Apply an edit; when this returns, it is on the disk.

        Raises
        ------
        Outdated
            `revision` is not the current one.
        InputRefused
            The edit has no solution here; nothing was written.
        """
        with self._lock:
            self._require(revision)
            state, changed = apply_edit(self._baseline, self._state, edit)
            entry = self._log.append(edit, why=why)
            self._earlier.append((entry.number, self._state))
            self._state, self._history = state, self._history.then(entry)
            return self._after(changed)

    def undo(self, *, revision: int) -> dict[str, JsonValue]:
        """Take back the last entry in force; refused when there is none."""
        with self._lock:
            self._require(revision)
            if not self._history.active:
                raise InputRefused("there is nothing to undo")
            target = self._history.active[-1].number
            entry = self._log.append(Undo(target=target))
            self._history = self._history.then(entry)
            before = self._state
            if self._earlier and self._earlier[-1][0] == target:
                self._state = self._earlier.pop()[1]
            else:
                self._state = self._replayed(self._history.active).state
            return self._after(self._between(before, self._state))

    def redo(self, *, revision: int) -> dict[str, JsonValue]:
        """Put the last undone entry back; refused when there is none."""
        with self._lock:
            self._require(revision)
            if not self._history.undone:
                raise InputRefused("there is nothing to redo")
            again = self._history.undone[0]
            state, changed = apply_edit(self._baseline, self._state, again.edit)
            entry = self._log.append(Redo(target=again.number))
            self._earlier.append((again.number, self._state))
            self._state, self._history = state, self._history.then(entry)
            return self._after(changed)

    def save(self) -> None:
        """Rebuild the folder's tables from the current state."""
        with self._lock:
            entries, state, history = tuple(self._log.entries), self._state, self._history
            edited = edited_result(self._baseline, state)
        replayed = Replayed(state, history, self._refused)
        write_edited(self.folder, self._baseline, edited, replayed, reader=self.reader, edits_hash=hash_of(entries))

    def close(self) -> None:
        """Write what is pending and let the log go."""
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
                self.save()
            self._log.close()

    # ------------------------------------------------------------------------------------------ helpers

    def _require(self, revision: int) -> None:
        if revision != self.revision:
            raise Outdated

    def _replayed(self, active: Iterable[Entry]) -> Replayed:
        return replay(self._baseline, active)

    def _after(self, changed: frozenset[int]) -> dict[str, JsonValue]:
        whole = len(changed) > BULK_FRAMES or self._moves_origin(changed)
        self._columns = self._measure_all() if whole else self._measured(sorted(changed))
        self._save_soon()
        return {
            "revision": self.revision,
            "whole": whole,
            "changed": [] if whole else [self._frame(frame) for frame in sorted(changed)],
            "undo": self._history.active[-1].edit.kind if self._history.active else None,
            "redo": self._history.undone[0].edit.kind if self._history.undone else None,
        }

    def _moves_origin(self, changed: frozenset[int]) -> bool:
        """True when an edit takes frames out of the vessel or back, which may move the 0 mm."""
        return any(
            bool(frame_flags(self._baseline, self._state, frame) & NOT_VESSEL)
            != bool(parse_flags(self._columns["flags"][frame]) & NOT_VESSEL)
            for frame in changed
        )

    def _save_soon(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = Timer(self._save_after_s, self._save_quietly)
        self._timer.daemon = True
        self._timer.start()

    def _save_quietly(self) -> None:
        with self._lock:
            self._timer = None
        try:
            self.save()
        except InputRefused:  # another process is writing: the log holds everything, try again
            self._save_soon()

    def _between(self, one: State, two: State) -> frozenset[int]:
        """Frames in which two states may differ."""
        if (one.scale, one.stent) != (two.scale, two.stent):
            return frozenset(range(self.n_frames))
        frames = {frame for _, frame in one.edited ^ two.edited} | {
            frame for _, frame in one.influenced ^ two.influenced
        }
        frames |= (one.accepted ^ two.accepted) | (one.rejected ^ two.rejected)
        for before, after in ((one.borders, two.borders), (two.borders, one.borders)):
            frames |= {key[1] for key, border in before.items() if after.get(key) is not border}
        frames |= {f for f in one.places.keys() | two.places.keys() if one.places.get(f) != two.places.get(f)}
        frames |= set(one.hidden_deg.keys() | two.hidden_deg.keys())
        for edit in {*one.branches, *one.findings} ^ {*two.branches, *two.findings}:
            frames |= set(edit.indices)
        return frozenset(frames)

    def _measure_all(self) -> Columns:
        edited: Edited = edited_result(self._baseline, self._state)
        times = self._was["time_s"].to_numpy(dtype=float)
        shifted = origin_in_vessel(self._axis.position_mm, in_vessel(edited.segmentation.flags))
        self._axis = replace(self._axis, position_mm=shifted)
        table = frames_table(
            edited.segmentation,
            edited.calibration,
            Timing(None if np.isnan(times).all() else times, ""),
            self._axis,
            reviewed=edited.reviewed,
        )
        return {str(name): table[name].to_numpy() for name in table}

    def _measured(self, changed: list[int]) -> Columns:
        """The columns with some frames measured again (diameters of the EEM wait for the tables)."""
        calibration = scaled_calibration(self._baseline, self._state)
        rows: dict[str, list[Any]] = {}
        for frame in changed:
            for name, value in self._row(frame, calibration).items():
                rows.setdefault(name, []).append(value)
        columns = dict(self._columns)
        for name, values in rows.items():
            columns[name] = columns[name].copy()
            columns[name][changed] = values
        return columns

    def _row(self, frame: int, calibration: Any) -> dict[str, Any]:
        flags = frame_flags(self._baseline, self._state, frame)
        row: dict[str, Any] = {"flags": join_flags(flags), "reviewed": frame in self._state.reviewed}
        hidden = bool(flags & NOT_VESSEL)
        automatic = self._baseline.segmentation
        for structure in Structure:
            border = border_at(self._baseline, self._state, structure, frame)
            absent = len(border) == 0 or hidden or (structure is Structure.EEM and self._eem_hidden(frame))
            row[f"{structure.value}_area_mm2"] = np.nan if absent else polygon_area_mm2(border.xy, calibration)
            by_reader = frame in self._state.accepted or (structure, frame) in self._state.edited
            sure = READER_CONFIDENCE if by_reader else automatic.confidence[structure][frame]
            row[_CONFIDENCE[structure]] = np.nan if len(border) == 0 else sure
            if structure is Structure.LUMEN:
                shortest, longest = (np.nan, np.nan) if absent else polygon_diameters_mm(border.xy, calibration)
                row["lumen_min_diameter_mm"], row["lumen_max_diameter_mm"] = shortest, longest
        row["plaque_area_mm2"] = row["eem_area_mm2"] - row["lumen_area_mm2"]
        row["plaque_burden_pct"] = 100.0 * row["plaque_area_mm2"] / row["eem_area_mm2"]
        return row

    def _eem_hidden(self, frame: int) -> bool:
        return self._state.hidden_deg.get(frame, 0.0) >= HIDDEN_LIMIT_DEG

    def _frame(self, frame: int) -> dict[str, JsonValue]:
        return {
            **self._drawn(self._state, frame),
            "numbers": {name: _figure(self._columns[name][frame]) for name in NUMBERS},
            "flags": self._columns["flags"][frame],
            "state": self._standing(frame),
        }

    def _standing(self, frame: int) -> str:
        state = self._state
        if frame in state.accepted:
            return "accepted"
        if frame in state.rejected:
            return "rejected"
        if any((structure, frame) in state.edited for structure in Structure):
            return "edited"
        if any((structure, frame) in state.influenced for structure in Structure):
            return "influenced"
        return "automatic"

    def _drawn(self, state: State, frame: int) -> dict[str, JsonValue]:
        """One frame's contours in hundredths of a pixel of the region, and where they were not seen."""
        region = self.pixels.region
        out: dict[str, JsonValue] = {"frame": frame + 1}
        for structure in Structure:
            border = border_at(self._baseline, state, structure, frame)
            if len(border) == 0:
                continue
            local = np.rint((border.xy - [region.x0, region.y0]) * HUNDREDTHS).astype(np.int64)
            out[structure.value] = local.ravel().tolist()
            if not border.seen.all():
                out[f"{structure.value}_unseen"] = np.flatnonzero(~border.seen).tolist()
        return out


def _rounded(column: npt.NDArray[Any], decimals: int = 3) -> list[float | None]:
    values = np.round(column.astype(float), decimals)
    return [float(value) if np.isfinite(value) else None for value in values]


def _figure(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None
