"""The numbers of every frame while a run is reviewed: all of them, or those of a few frames again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from boreline.correction import Baseline, State, border_at, edited_result
from boreline.correction.replay import HIDDEN_LIMIT_DEG, READER_CONFIDENCE, frame_flags
from boreline.correction.state import scaled_calibration
from boreline.flags import NOT_VESSEL, join_flags, parse_flags
from boreline.geometry import polygon_area_mm2, polygon_diameters_mm
from boreline.model import Axis, Calibration, FloatArray, Structure, Timing
from boreline.profile.frames import frames_table, in_vessel, origin_in_vessel

Columns = dict[str, npt.NDArray[Any]]
"""The columns of the frames table; replaced, never changed, so that readers need no lock."""

BULK_FRAMES = 100
"""An edit that changes more frames than this is measured over the whole run."""
_CONFIDENCE = {
    Structure.LUMEN: "confidence",
    Structure.EEM: "eem_confidence",
    Structure.STENT: "stent_confidence",
}


@dataclass(frozen=True, slots=True)
class Measured:
    """The columns, and the axis whose zero they have."""

    columns: Columns
    axis: Axis

    @classmethod
    def whole(cls, baseline: Baseline, state: State, axis: Axis, time_s: FloatArray) -> Measured:
        """Measure every frame."""
        edited = edited_result(baseline, state)
        axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, in_vessel(edited.segmentation.flags)))
        timing = Timing(None if np.isnan(time_s).all() else time_s, "")
        table = frames_table(edited.segmentation, edited.calibration, timing, axis, reviewed=edited.reviewed)
        return cls({str(name): table[name].to_numpy() for name in table}, axis)

    def again(self, baseline: Baseline, state: State, changed: frozenset[int]) -> Measured | None:
        """With `changed` frames measured again (diameters of the EEM wait for the tables).

        None when the whole run must be measured: they are many, or the 0 mm may move.
        """
        flags = {frame: frame_flags(baseline, state, frame) for frame in sorted(changed)}
        if len(changed) > BULK_FRAMES or any(
            bool(words & NOT_VESSEL) != bool(parse_flags(self.columns["flags"][frame]) & NOT_VESSEL)
            for frame, words in flags.items()
        ):
            return None
        calibration = scaled_calibration(baseline, state)
        rows: dict[str, list[Any]] = {}
        for frame, words in flags.items():
            row = {"flags": join_flags(words), **_row(baseline, state, frame, calibration, bool(words & NOT_VESSEL))}
            for name, value in row.items():
                rows.setdefault(name, []).append(value)
        columns = dict(self.columns)
        for name, values in rows.items():
            columns[name] = columns[name].copy()
            columns[name][list(flags)] = values
        return replace(self, columns=columns)


def _row(baseline: Baseline, state: State, frame: int, calibration: Calibration, outside: bool) -> dict[str, Any]:
    row: dict[str, Any] = {"reviewed": frame in state.reviewed}
    automatic = baseline.segmentation
    hidden = state.hidden_deg.get(frame, 0.0) >= HIDDEN_LIMIT_DEG
    for structure in Structure:
        border = border_at(baseline, state, structure, frame)
        absent = len(border) == 0 or outside or (structure is Structure.EEM and hidden)
        row[f"{structure.value}_area_mm2"] = np.nan if absent else polygon_area_mm2(border.xy, calibration)
        by_reader = frame in state.accepted or (structure, frame) in state.edited
        sure = READER_CONFIDENCE if by_reader else automatic.confidence[structure][frame]
        row[_CONFIDENCE[structure]] = np.nan if len(border) == 0 else sure
        if structure is Structure.LUMEN:
            shortest, longest = (np.nan, np.nan) if absent else polygon_diameters_mm(border.xy, calibration)
            row["lumen_min_diameter_mm"], row["lumen_max_diameter_mm"] = shortest, longest
    row["plaque_area_mm2"] = row["eem_area_mm2"] - row["lumen_area_mm2"]
    row["plaque_burden_pct"] = 100.0 * row["plaque_area_mm2"] / row["eem_area_mm2"]
    return row
