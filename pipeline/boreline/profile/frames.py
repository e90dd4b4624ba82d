"""`frames.csv`: one row per DICOM frame, measured from the contours.

Assumes contours in the frame's own pixels, a calibration that holds for every frame, and EEM contours that are
already absent where the EEM cannot be measured. Frames that are no vessel carry flags and no areas.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from boreline.columns import FRAMES
from boreline.flags import NOT_VESSEL, Flag, join_flags
from boreline.geometry import contour_areas_mm2, contour_diameters_mm
from boreline.model import Axis, BoolArray, Calibration, FloatArray, Pullback, Segmentation, Structure, Timing

POSITION_DECIMALS = 4
"""Positions are rounded as the file keeps them, so that a profile made from the file equals one made in memory."""
MEASURED = {Structure.LUMEN: "lumen", Structure.EEM: "eem"}
AREA_COLUMNS = (
    "lumen_area_mm2",
    "lumen_area_sd_mm2",
    "lumen_min_diameter_mm",
    "lumen_max_diameter_mm",
    "eem_area_mm2",
    "eem_area_sd_mm2",
    "eem_min_diameter_mm",
    "eem_max_diameter_mm",
    "plaque_area_mm2",
    "plaque_burden_pct",
    "calcium_arc_deg",
    "stent_area_mm2",
    "stent_area_sd_mm2",
    "malapposition_mm",
)
"""Left empty in every frame that is no vessel."""


def frames_table(
    segmentation: Segmentation,
    calibration: Calibration,
    timing: Timing,
    axis: Axis,
    *,
    gated: BoolArray | None = None,
    reviewed: BoolArray | None = None,
) -> pd.DataFrame:
    """Measure every frame.

    Parameters
    ----------
    gated
        Shape (n_frames,): kept by cardiac gating; None when the run was not gated (the column stays empty).
    reviewed
        Shape (n_frames,): accepted or edited by an operator; None for nobody yet.

    Returns
    -------
    DataFrame
        The columns of `boreline.columns.FRAMES`, in order; NaN where nothing could be measured.
    """
    n = segmentation.n_frames
    values: dict[str, object] = {
        "frame": np.arange(1, n + 1),
        "time_s": np.full(n, np.nan) if timing.times_s is None else timing.times_s[:n],
        "position_mm": np.round(axis.position_mm, POSITION_DECIMALS),
        "eem_hidden_deg": segmentation.eem_hidden_deg,
        "calcium_arc_deg": segmentation.calcium_arc_deg,
        "malapposition_mm": segmentation.malapposition_mm,
        "confidence": segmentation.confidence[Structure.LUMEN],
        "eem_confidence": segmentation.confidence[Structure.EEM],
        "stent_confidence": segmentation.confidence[Structure.STENT],
        "gated": pd.array([pd.NA] * n if gated is None else gated, dtype="boolean"),
        "reviewed": pd.array(np.zeros(n, dtype=bool) if reviewed is None else reviewed, dtype="boolean"),
        "flags": [join_flags(flags) for flags in segmentation.flags],
        "stent_area_mm2": contour_areas_mm2(segmentation.contours[Structure.STENT], calibration),
        "stent_area_sd_mm2": segmentation.area_sd_mm2[Structure.STENT],
    }
    for structure, name in MEASURED.items():
        contours = segmentation.contours[structure]
        shortest, longest = contour_diameters_mm(contours, calibration)
        values[f"{name}_area_mm2"] = contour_areas_mm2(contours, calibration)
        values[f"{name}_area_sd_mm2"] = segmentation.area_sd_mm2[structure]
        values[f"{name}_min_diameter_mm"] = shortest
        values[f"{name}_max_diameter_mm"] = longest
    table = pd.DataFrame(values)
    table["plaque_area_mm2"] = table["eem_area_mm2"] - table["lumen_area_mm2"]
    table["plaque_burden_pct"] = 100.0 * table["plaque_area_mm2"] / table["eem_area_mm2"]
    not_vessel = np.array([bool(flags & NOT_VESSEL) for flags in segmentation.flags], dtype=bool)
    table.loc[not_vessel, list(AREA_COLUMNS)] = np.nan
    return table[list(FRAMES.names)]


def flag_standing_frames(segmentation: Segmentation, pullback: Pullback) -> tuple[frozenset[Flag], ...]:
    """The flags of each frame, plus those for frames recorded while the motor stood still."""
    start = pullback.start_frame if pullback.start_frame is not None else 0
    stop = pullback.stop_frame if pullback.stop_frame is not None else segmentation.n_frames - 1
    return tuple(
        flags
        | ({Flag.BEFORE_PULLBACK} if number < start else frozenset())
        | ({Flag.AFTER_PULLBACK} if number > stop else frozenset())
        for number, flags in enumerate(segmentation.flags)
    )


def in_vessel(flags: tuple[frozenset[Flag], ...]) -> BoolArray:
    """Shape (n_frames,): the frame shows the vessel and was not rejected."""
    return np.array([not (words & NOT_VESSEL) for words in flags], dtype=bool)


def origin_in_vessel(position_mm: FloatArray, inside: BoolArray) -> FloatArray:
    """Positions shifted so that the most distal frame inside the vessel lies at 0 mm."""
    known = position_mm[inside & np.isfinite(position_mm)]
    return position_mm - known.min() if known.size else position_mm
