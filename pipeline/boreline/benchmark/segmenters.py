"""Segmenters against truth: overlap, distance of borders, areas, confidence and speed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from boreline.benchmark.cases import MEASURED, LabelledRun, open_case
from boreline.geometry import polygon_area_mm2
from boreline.geometry.overlap import polygon_overlap
from boreline.model import Segmentation, Structure
from boreline.segmentation.protocol import Segmenter
from boreline_phantoms import Scene

GOOD_JACCARD = 0.9
"""A contour below this is called bad; `confidence` is the chance of reaching it."""
LEAST_CERTAIN_SHARE = 0.2
COVERAGE_FACTOR = 1.96
FOUND, MISSED, EXTRA, NEITHER = "found", "missed", "extra", "neither"
"""Both have a contour; only the truth; only the segmenter, though not measurable; none has."""
Tell = Callable[[str], None]


def measure(
    cases: Sequence[Scene | Path], segmenters: Sequence[Segmenter], *, threads: int = 1, tell: Tell = lambda _: None
) -> pd.DataFrame:
    """One row per case, segmenter, structure and frame inside the vessel.

    Columns: case, difficulty, segmenter, version, structure, frame (from 1), status, jaccard, dice, hausdorff_mm,
    hausdorff95_mm, area_difference_pct, area_mm2, true_area_mm2, confidence, area_sd_mm2, position_mm (true),
    frames_per_s, correlation_frames (of the run's area noise).
    """
    rows: list[pd.DataFrame] = []
    for case in cases:
        with open_case(case) as labelled:
            for segmenter in segmenters:
                tell(f"{labelled.name}: {segmenter.name}")
                started = time.perf_counter()
                segmentation = segmenter.segment(labelled.run, threads=threads)
                speed = labelled.run.n_frames / max(time.perf_counter() - started, 1e-9)
                for structure in MEASURED:
                    table = score(labelled, segmentation, structure)
                    table.insert(0, "version", segmenter.version)
                    table.insert(0, "segmenter", segmenter.name)
                    frames = segmentation.correlation_frames
                    rows.append(table.assign(frames_per_s=speed, correlation_frames=frames))
    return pd.concat(rows, ignore_index=True)


def score(labelled: LabelledRun, segmentation: Segmentation, structure: Structure) -> pd.DataFrame:
    """One structure of one run, frame by frame."""
    calibration = labelled.run.calibration
    found, truth = segmentation.contours[structure], labelled.truth[structure]
    rows = []
    for frame in np.flatnonzero(labelled.vessel).tolist():
        ours, theirs = found.polygon(frame), truth.polygon(frame)
        row: dict[str, object] = {
            "case": labelled.name,
            "difficulty": labelled.difficulty,
            "structure": structure.value,
            "frame": frame + 1,
            "status": {(1, 1): FOUND, (0, 1): MISSED, (1, 0): EXTRA, (0, 0): NEITHER}[
                int(len(ours) > 0), int(len(theirs) > 0)
            ],
            "confidence": segmentation.confidence[structure][frame],
            "area_sd_mm2": segmentation.area_sd_mm2[structure][frame],
            "position_mm": labelled.position_mm[frame],
        }
        if row["status"] == FOUND:
            overlap = polygon_overlap(ours, theirs, calibration)
            row |= {
                "jaccard": overlap.jaccard,
                "dice": overlap.dice,
                "hausdorff_mm": overlap.hausdorff_mm,
                "hausdorff95_mm": overlap.hausdorff95_mm,
                "area_difference_pct": overlap.area_difference_pct,
                "area_mm2": polygon_area_mm2(ours, calibration),
                "true_area_mm2": polygon_area_mm2(theirs, calibration),
            }
        rows.append(row)
    numbers = ("jaccard", "dice", "hausdorff_mm", "hausdorff95_mm", "area_difference_pct", "area_mm2", "true_area_mm2")
    first = ("case", "difficulty", "structure", "frame", "status")
    return pd.DataFrame(rows, columns=[*first, *numbers, "confidence", "area_sd_mm2", "position_mm"])


def summarise(frames: pd.DataFrame, by: str) -> pd.DataFrame:
    """One row per segmenter, structure and value of the column `by` (``difficulty`` or ``case``)."""
    groups = frames.groupby(["segmenter", "structure", by], sort=True)
    return pd.DataFrame([{**dict(zip(groups.keys, key, strict=True)), **_summary(group)} for key, group in groups])


def _summary(group: pd.DataFrame) -> dict[str, float]:
    found = group[group["status"] == FOUND]
    missed, extra = int((group["status"] == MISSED).sum()), int((group["status"] == EXTRA).sum())
    unmeasurable = extra + int((group["status"] == NEITHER).sum())
    out: dict[str, float] = {
        "frames": len(group),
        "found": len(found),
        "missed_pct": 100.0 * missed / max(missed + len(found), 1),
        "given_though_hidden_pct": 100.0 * extra / unmeasurable if unmeasurable else np.nan,
        "frames_per_s": float(group.groupby("case")["frames_per_s"].first().median()),
    }
    if found.empty:
        return out
    jaccard, off = found["jaccard"], found["area_difference_pct"]
    difference = found["area_mm2"] - found["true_area_mm2"]
    spread = float(difference.std(ddof=1)) if len(found) > 1 else np.nan
    mean = float(difference.mean())
    out |= {
        "jaccard_median": float(jaccard.median()),
        "jaccard_p10": float(jaccard.quantile(0.1)),
        "jaccard_mean": float(jaccard.mean()),
        "dice_mean": float(found["dice"].mean()),
        "hausdorff_median_mm": float(found["hausdorff_mm"].median()),
        "hausdorff95_median_mm": float(found["hausdorff95_mm"].median()),
        "abs_area_error_median_pct": float(off.abs().median()),
        "abs_area_error_mean_pct": float(off.abs().mean()),
        "area_bias_median_pct": float(off.median()),
        "area_bias_mean_pct": float(off.mean()),
        "bland_altman_mean_mm2": mean,
        "bland_altman_low_mm2": mean - COVERAGE_FACTOR * spread,
        "bland_altman_high_mm2": mean + COVERAGE_FACTOR * spread,
        "bad_pct": 100.0 * float((jaccard < GOOD_JACCARD).mean()),
        "bad_among_least_certain": bad_among_least_certain(found),
        "inside_95_pct": coverage_pct(found),
    }
    return out


def bad_among_least_certain(found: pd.DataFrame) -> float:
    """Bad frames among the least certain fifth, as a share of those that could be there; NaN without bad frames."""
    known = found[found["confidence"].notna()]
    bad = known["jaccard"] < GOOD_JACCARD
    n_least = int(np.ceil(LEAST_CERTAIN_SHARE * len(known)))
    possible = min(int(bad.sum()), n_least)
    if possible == 0:
        return float("nan")
    least = known["confidence"].to_numpy().argsort(kind="stable")[:n_least]
    return float(bad.to_numpy()[least].sum() / possible)


def coverage_pct(found: pd.DataFrame) -> float:
    """How often the true area lies within 1.96 stated standard uncertainties."""
    known = found[found["area_sd_mm2"].notna()]
    if known.empty:
        return float("nan")
    inside = (known["area_mm2"] - known["true_area_mm2"]).abs() <= COVERAGE_FACTOR * known["area_sd_mm2"]
    return 100.0 * float(inside.mean())


def reliability(found: pd.DataFrame, bins: int = 10) -> pd.DataFrame:
    """Stated chance of a good contour against its frequency, per bin of confidence with at least one frame."""
    known = found[found["confidence"].notna()]
    number = np.minimum((known["confidence"] * bins).astype(int), bins - 1)
    good = known["jaccard"] >= GOOD_JACCARD
    table = pd.DataFrame({"stated": known["confidence"], "seen": good.astype(float)}).groupby(number)
    return table.mean().assign(frames=table.size()).reset_index(drop=True)
