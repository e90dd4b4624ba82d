"""One run under review: its state in memory, its log on the disk, its tables rebuilt behind the operator's back."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from pathlib import Path
from threading import RLock, Timer

import numpy as np
import pandas as pd

from boreline.correction import (
    Edit,
    Entry,
    LogWriter,
    Redo,
    Replayed,
    State,
    Undo,
    apply_edit,
    edited_result,
    log_path,
    replay,
)
from boreline.correction.edits import LOOKING, Nodule
from boreline.correction.log import hash_of
from boreline.correction.state import scaled_calibration
from boreline.errors import InputRefused
from boreline.memory import give_back
from boreline.model import JsonValue, Run, Structure
from boreline.results import ResultFolder
from boreline.review.decision import decision
from boreline.review.drawn import changed_between, drawn, figure, rounded, standing
from boreline.review.measured import Measured
from boreline.review.pixels import Pixels
from boreline.review.reading_queue import figures_answer
from boreline.workflow.apply_edits import baseline_of, operator_record, write_edited
from boreline.workflow.review_figures import Figures, read_figures

KEPT_STATES = 128
SAVE_AFTER_S = 10.0
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
_OTHER = {Structure.LUMEN: "EEM", Structure.EEM: "lumen"}


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
        self.run: Run = folder.open_run(source)
        self.pixels = Pixels(self.run)
        self._baseline = baseline_of(folder, self.pixels.picture_of)
        uid = self._record["source"]["sop_instance_uid"]
        self._log = LogWriter(log_path(folder.path, reader), reader, uid)
        try:
            replayed = replay(self._baseline, self._log.entries, sop_uid=uid)
        except InputRefused:
            self._log.close()
            raise
        self._state, self._history, self._refused = replayed.state, replayed.history, replayed.refused
        self._earlier: deque[tuple[int, State]] = deque(maxlen=KEPT_STATES)
        self._time_s = folder.frames()["time_s"].to_numpy(dtype=float)
        self._measured = Measured.whole(self._baseline, self._state, folder.axis(), self._time_s)
        self._figures: tuple[int, Figures] | None = None
        self._save_after_s = save_after_s
        self._timer: Timer | None = None
        current = (self._record["current_reader"], self._record["edits_hash"])
        if self._log.entries and current != (reader, hash_of(self._log.entries)):
            self.save()
        give_back()

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
            "axis_source": self._measured.axis.source.value,
            "axis_detail": self._measured.axis.detail,
            "in_mm": bool(np.isfinite(self._measured.columns["position_mm"]).any()),
            "segmenter": record["segmenter"]["name"],
            "not_applied": [{"number": e.number, "reason": reason} for e, reason in self._refused],
        }

    def numbers(self) -> dict[str, JsonValue]:
        """Per-frame columns for the whole run, with the revision they belong to."""
        with self._lock:
            columns = self._measured.columns
            out: dict[str, JsonValue] = {name: rounded(columns[name]) for name in (*NUMBERS, "position_mm")}
            out["time_s"] = rounded(columns["time_s"], 4)
            out["flags"] = columns["flags"].tolist()
            out["state"] = [standing(self._state, frame) for frame in range(self.n_frames)]
            return {"revision": self.revision, **out}

    def contours(self, first: int, count: int, *, automatic: bool = False) -> dict[str, JsonValue]:
        """Contours of a block of frames (0-based start), as the page draws them."""
        with self._lock:
            state = State() if automatic else self._state
            stop = min(first + count, self.n_frames)
            return {
                "revision": self.revision,
                "frames": [drawn(self._baseline, state, frame, self.pixels.region) for frame in range(first, stop)],
            }

    def figures(self) -> dict[str, JsonValue]:
        """Sites, lengths and the queue of frames to check."""
        with self._lock:
            revision, columns, state, known = self.revision, self._measured.columns, self._state, self._figures
        if known is None or known[0] != revision:
            known = (revision, read_figures(pd.DataFrame(columns), state.sites))
            self._figures = known
        return {"revision": revision, **figures_answer(columns, known[1])}

    def decision(self) -> dict[str, JsonValue]:
        """Sizing and expansion as the contours and sites stand now."""
        with self._lock:
            revision, columns, state = self.revision, self._measured.columns, self._state
        nodule = True if any(isinstance(finding, Nodule) for finding in state.findings) else None
        return {"revision": revision, **decision(pd.DataFrame(columns), self._record, state.sites, nodule=nodule)}

    def operator(self) -> dict[str, JsonValue]:
        """What the operator said beyond contours, and what undo and redo would do."""
        with self._lock:
            said = operator_record(self._state, self._history.active, self._baseline)
            return {"revision": self.revision, **said, **self._ways_back()}

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
            return {**self._after(changed), "note": self._note(edit)}

    def undo(self, *, revision: int) -> dict[str, JsonValue]:
        """Take back the last entry in force; refused when there is none."""
        with self._lock:
            self._require(revision)
            if not self._history.active:
                raise InputRefused("there is nothing to undo", remedy="make an edit first")
            target = self._history.active[-1].number
            entry = self._log.append(Undo(target=target))
            self._history = self._history.then(entry)
            before = self._state
            if self._earlier and self._earlier[-1][0] == target:
                self._state = self._earlier.pop()[1]
            else:
                self._state = self._replayed(self._history.active).state
            return self._after(changed_between(before, self._state, self.n_frames))

    def redo(self, *, revision: int) -> dict[str, JsonValue]:
        """Put the last undone entry back; refused when there is none."""
        with self._lock:
            self._require(revision)
            if not self._history.undone:
                raise InputRefused("there is nothing to redo", remedy="undo an edit first")
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
        del edited
        give_back()

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
        again = self._measured.again(self._baseline, self._state, changed)
        if again is None:
            self._measured = Measured.whole(self._baseline, self._state, self._measured.axis, self._time_s)
        else:
            self._measured = again
        self._save_soon()
        return {
            "revision": self.revision,
            "whole": again is None,
            "changed": [] if again is None else [self._frame(frame) for frame in sorted(changed)],
            **self._ways_back(),
        }

    def _ways_back(self) -> dict[str, JsonValue]:
        """What undo and redo would do."""
        return {
            "undo": self._history.active[-1].edit.kind if self._history.active else None,
            "redo": self._history.undone[0].edit.kind if self._history.undone else None,
        }

    def _note(self, edit: Edit) -> str:
        """What an operator must know of how the edit was carried out."""
        if isinstance(edit, LOOKING) and (edit.structure, edit.index) in self._state.held_back:
            return f"The border stops at the {_OTHER[edit.structure]} that you set in this frame: move that one first."
        return ""

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

    def _frame(self, frame: int) -> dict[str, JsonValue]:
        columns = self._measured.columns
        return {
            **drawn(self._baseline, self._state, frame, self.pixels.region),
            "numbers": {name: figure(columns[name][frame]) for name in NUMBERS},
            "flags": columns["flags"][frame],
            "state": standing(self._state, frame),
        }
