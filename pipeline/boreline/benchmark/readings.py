"""Two readings of the same runs, paired frame by frame, and what they agree on.

A reading is a result folder, or a folder of result folders (a batch). Runs are paired by their SOP Instance UID, frames
by number; only frames that both readings measured are compared. Differences are first minus second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from boreline.benchmark.agreement import (
    BlandAltman,
    Icc,
    Interval,
    bland_altman,
    by_run,
    coefficient_of_variation_pct,
    intraclass_correlation,
    weighted_kappa,
)
from boreline.errors import InputRefused
from boreline.flags import NOT_VESSEL, parse_flags
from boreline.geometry.overlap import polygon_overlap
from boreline.model import FloatArray, IntArray, Structure
from boreline.results import ResultFolder

CALCIUM_QUADRANTS = 5
"""Grades 0 to 4: none, 1-90, 91-180, 181-270 and 271-360 degrees (Mintz, JACC 2001;37:1478-92; from memory)."""


def find_readings(path: Path) -> dict[str, ResultFolder]:
    """The result folders at `path`, by SOP Instance UID.

    Raises
    ------
    InputRefused
        There is none, or two of them hold the same run.
    """
    candidates = [path] if (path / "run.json").is_file() else sorted(p.parent for p in path.glob("**/run.json"))
    folders: dict[str, ResultFolder] = {}
    for candidate in candidates:
        folder = ResultFolder.open(candidate)
        uid = str(folder.record["source"]["sop_instance_uid"])
        if uid in folders:
            raise InputRefused(
                f"holds the same run as {folders[uid].path}", file=candidate, remedy="move one of the two elsewhere"
            )
        folders[uid] = folder
    if not folders:
        raise InputRefused("holds no result folder", file=path, remedy="name what boreline analyse or batch made")
    return folders


def pair_readings(first: Path, second: Path, *, reviewed_only: bool = False) -> pd.DataFrame:
    """Every frame that both readings measured.

    Returns
    -------
    DataFrame
        run, frame, structure, first_mm2, second_mm2, jaccard, dice, hausdorff_mm, hausdorff95_mm, first_calcium_deg,
        second_calcium_deg.

    Raises
    ------
    InputRefused
        No run, or no frame, is in both readings.
    """
    ours, theirs = find_readings(first), find_readings(second)
    shared = sorted(set(ours) & set(theirs))
    if not shared:
        raise InputRefused(
            "the two readings have no run in common", file=second, remedy="name two readings of the same DICOM files"
        )
    rows = [
        row
        for number, uid in enumerate(shared, start=1)
        for row in paired_frames(f"run {number}", ours[uid], theirs[uid], reviewed_in=(1,) if reviewed_only else ())
    ]
    if not rows:
        raise InputRefused(
            "the two readings have no measured frame in common", file=second, remedy="read the same frames in both"
        )
    return pd.DataFrame(rows)


def paired_frames(
    run: str, first: ResultFolder, second: ResultFolder, *, reviewed_in: Sequence[int] = ()
) -> Iterator[dict[str, object]]:
    """The rows of `pair_readings` for one run.

    Parameters
    ----------
    run
        What the run is called in the rows.
    reviewed_in
        Only frames that were reviewed in these readings: 0 the first, 1 the second.
    """
    tables = first.frames(), second.frames()
    usable = np.ones(min(len(table) for table in tables), dtype=bool)
    for table in tables:
        usable &= np.array([not (parse_flags(cell) & NOT_VESSEL) for cell in table["flags"]], dtype=bool)[: len(usable)]
    for which in reviewed_in:
        usable &= tables[which]["reviewed"].fillna(value=False).to_numpy(dtype=bool)[: len(usable)]
    calibration = second.calibration()
    calcium = [table["calcium_arc_deg"].to_numpy(dtype=np.float64) for table in tables]
    for structure in Structure:
        contours = first.contours(structure), second.contours(structure)
        areas = [table[f"{structure.value}_area_mm2"].to_numpy(dtype=np.float64) for table in tables]
        both = usable & contours[0].present[: len(usable)] & contours[1].present[: len(usable)]
        for i in np.flatnonzero(both).tolist():
            overlap = polygon_overlap(contours[0].polygon(i), contours[1].polygon(i), calibration)
            yield {
                "run": run,
                "frame": i + 1,
                "structure": structure.value,
                "first_mm2": areas[0][i],
                "second_mm2": areas[1][i],
                "jaccard": overlap.jaccard,
                "dice": overlap.dice,
                "hausdorff_mm": overlap.hausdorff_mm,
                "hausdorff95_mm": overlap.hausdorff95_mm,
                "first_calcium_deg": calcium[0][i],
                "second_calcium_deg": calcium[1][i],
            }


def agreement_table(pairs: pd.DataFrame) -> pd.DataFrame:
    """Agreement in figures: one row per structure, level and quantity, with a 95 % interval where there is one.

    `level` is *frame* (intervals by resampling runs) or *run* (means of each run; intervals of the published formulae).
    """
    rows: list[dict[str, object]] = []
    for structure in pairs["structure"].unique():
        part = pairs[pairs["structure"] == structure].reset_index(drop=True)
        rows += _frame_rows(str(structure), part)
        means = part.groupby("run")[["first_mm2", "second_mm2"]].mean()
        if len(means) >= 3:
            rows += _run_rows(str(structure), means["first_mm2"].to_numpy(), means["second_mm2"].to_numpy())
    rows += _calcium_rows(pairs)
    return pd.DataFrame(rows, columns=["structure", "level", "quantity", "value", "low", "high", "n"])


def _frame_rows(structure: str, part: pd.DataFrame) -> list[dict[str, object]]:
    first, second = part["first_mm2"].to_numpy(), part["second_mm2"].to_numpy()
    known = np.isfinite(first) & np.isfinite(second)
    first, second, part = first[known], second[known], part[known].reset_index(drop=True)
    if len(part) < 3:
        return []
    runs = part["run"].tolist()
    statistics: dict[str, Callable[[IntArray], float]] = {
        "bias_mm2": lambda i: float((first[i] - second[i]).mean()),
        "lower_limit_mm2": lambda i: _limit(first[i] - second[i], -1.96),
        "upper_limit_mm2": lambda i: _limit(first[i] - second[i], 1.96),
        Icc.AGREEMENT_SINGLE.value: lambda i: (
            intraclass_correlation(np.column_stack([first[i], second[i]]))[Icc.AGREEMENT_SINGLE].value
        ),
        "coefficient_of_variation_pct": lambda i: coefficient_of_variation_pct(first[i], second[i]),
        **{
            f"median_{name}": _median_of(part[name].to_numpy())
            for name in ("jaccard", "dice", "hausdorff_mm", "hausdorff95_mm")
        },
    }
    return [_row(structure, "frame", name, by_run(f, runs, draws=500), len(part)) for name, f in statistics.items()]


def _median_of(values: FloatArray) -> Callable[[IntArray], float]:
    return lambda i: float(np.median(values[i]))


def _limit(difference: FloatArray, factor: float) -> float:
    return float(difference.mean() + factor * difference.std(ddof=1))


def _run_rows(structure: str, first: FloatArray, second: FloatArray) -> list[dict[str, object]]:
    known = np.isfinite(first) & np.isfinite(second)
    first, second = first[known], second[known]
    if len(first) < 3:
        return []
    limits: BlandAltman = bland_altman(first, second)
    rows = [
        _row(structure, "run", "bias_mm2", limits.bias, limits.n),
        _row(structure, "run", "lower_limit_mm2", limits.lower, limits.n),
        _row(structure, "run", "upper_limit_mm2", limits.upper, limits.n),
    ]
    forms = intraclass_correlation(np.column_stack([first, second]))
    return rows + [_row(structure, "run", form.value, value, limits.n) for form, value in forms.items()]


def _calcium_rows(pairs: pd.DataFrame) -> list[dict[str, object]]:
    part = pairs[(pairs["structure"] == Structure.LUMEN.value)].dropna(
        subset=["first_calcium_deg", "second_calcium_deg"]
    )
    if len(part) < 3:
        return []
    grades = [
        np.ceil(np.clip(part[f"{side}_calcium_deg"].to_numpy(), 0, 360) / 90).astype(int)
        for side in ("first", "second")
    ]
    kappa = by_run(
        lambda i: weighted_kappa(list(grades[0][i]), list(grades[1][i]), CALCIUM_QUADRANTS),
        part["run"].tolist(),
        draws=500,
    )
    return [_row("calcium", "frame", "weighted_kappa_quadrants", kappa, len(part))]


def _row(structure: str, level: str, quantity: str, interval: Interval, n: int) -> dict[str, object]:
    return {
        "structure": structure,
        "level": level,
        "quantity": quantity,
        "value": interval.value,
        "low": interval.low,
        "high": interval.high,
        "n": n,
    }
