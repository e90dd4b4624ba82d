"""The smallest lumen (MLA) of each run against the true one: how far off its place is, and its area.

Frames are placed where they truly were, so that the contours alone are judged. The area is the least of the expected
true areas along the profile, as in a plan: the least of noisy readings would read low.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from boreline.columns import FRAMES
from boreline.model import Structure
from boreline.profile.grid import profile_table
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.uncertainty import SharedUncertainty, VesselDraws

COLUMNS = (
    "runs",
    "mla_distance_median_mm",
    "mla_abs_error_median_pct",
    "mla_bias_median_pct",
    "mla_uncorrected_bias_median_pct",
    "lumen_at_site_excess_median_pct",
)


def smallest_lumens(frames: pd.DataFrame) -> pd.DataFrame:
    """One row per segmenter and case whose frames have true positions that span at least three places.

    Columns: segmenter, case, scenario, difficulty, mla_distance_mm (between found and true site along the vessel),
    mla_error_pct, mla_uncorrected_error_pct (of the least median along the profile), lumen_at_site_excess_pct (by how
    much the true lumen at the found site exceeds the true MLA: where the lumen is even, a distance says little).

    Parameters
    ----------
    frames
        As `segmenters.measure` returns them.
    """
    lumens = frames[frames["structure"] == Structure.LUMEN.value]
    rows = []
    for (segmenter, case), run in lumens.groupby(["segmenter", "case"], sort=True):
        compared = _compare(run)
        if compared:
            scenario = re.split("[:/]", str(case))[0]
            first = {
                "segmenter": segmenter,
                "case": case,
                "scenario": scenario,
                "difficulty": run["difficulty"].iloc[0],
            }
            rows.append(first | compared)
    named = ("segmenter", "case", "scenario", "difficulty", "mla_distance_mm", "mla_error_pct")
    return pd.DataFrame(rows, columns=[*named, "mla_uncorrected_error_pct", "lumen_at_site_excess_pct"])


def summarise_smallest(runs: pd.DataFrame, by: str) -> pd.DataFrame:
    """Medians over the runs of each segmenter and value of the column `by` (``difficulty`` or ``scenario``)."""
    rows = []
    for (segmenter, value), group in runs.groupby(["segmenter", by], sort=True):
        figures = (
            group["mla_distance_mm"],
            group["mla_error_pct"].abs(),
            group["mla_error_pct"],
            group["mla_uncorrected_error_pct"],
            group["lumen_at_site_excess_pct"],
        )
        medians = [float(figure.median()) for figure in figures]
        rows.append({"segmenter": segmenter, by: value, **dict(zip(COLUMNS, [len(group), *medians], strict=True))})
    return pd.DataFrame(rows, columns=["segmenter", by, *COLUMNS])


def _compare(run: pd.DataFrame) -> dict[str, float] | None:
    found = _profile(run, run["area_mm2"], run["area_sd_mm2"])
    truth = _profile(run, run["true_area_mm2"], run["area_sd_mm2"] * np.nan)
    if found is None or truth is None:
        return None
    both = found.measured & truth.measured
    if both.sum() < 3:
        return None
    shared = SharedUncertainty(area_correlation_frames=float(run["correlation_frames"].iloc[0]))
    expected = VesselDraws(found, shared, 0, found.n_rows - 1, structures=(Structure.LUMEN,)).expected(Structure.LUMEN)
    areas = found.lumen_area_mm2 if expected is None else expected
    rows = np.flatnonzero(both)
    ours = int(rows[np.argmin(areas[rows])])
    theirs = int(rows[np.argmin(truth.lumen_area_mm2[rows])])
    true_mla = float(truth.lumen_area_mm2[theirs])
    return {
        "mla_distance_mm": abs(float(found.position_mm[ours] - found.position_mm[theirs])),
        "mla_error_pct": 100.0 * (float(areas[ours]) / true_mla - 1.0),
        "mla_uncorrected_error_pct": 100.0 * (float(found.lumen_area_mm2[rows].min()) / true_mla - 1.0),
        "lumen_at_site_excess_pct": 100.0 * (float(truth.lumen_area_mm2[ours]) / true_mla - 1.0),
    }


def _profile(run: pd.DataFrame, area_mm2: pd.Series[float], sd_mm2: pd.Series[float]) -> Profile | None:
    table = pd.DataFrame(
        {"position_mm": run["position_mm"], "lumen_area_mm2": area_mm2, "lumen_area_sd_mm2": sd_mm2, "flags": ""}
    )
    table["position_mm"] -= table["position_mm"].min()
    grid = profile_table(table.reindex(columns=list(FRAMES.names)).reset_index(drop=True))
    return None if grid is None or len(grid) < 3 else profile_from_table(grid)
