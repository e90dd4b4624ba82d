"""`cohort.html`: the flow of inclusion, distributions, outliers and the runs that need a reader first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from jinja2 import Environment, FileSystemLoader, select_autoescape

from boreline.model import CAUTION, FloatArray

DISTRIBUTIONS = {
    "length_mm": "Length, mm",
    "mla_mm2": "Smallest lumen along the profile, mm²",
    "atheroma_volume_pct": "Percent atheroma volume, %",
    "eem_measured_pct": "Frames with a measured EEM, %",
    "mean_confidence": "Mean lumen confidence",
}
FAR_OUT = 3.5
"""Modified z score beyond which a run is called an outlier (Iglewicz & Hoaglin 1993; from memory)."""
_READ_FIRST = 20


def cohort_page(
    study: str, cohort: pd.DataFrame, *, n_candidates: int, failures: Sequence[tuple[str, str, str]]
) -> str:
    """The page as HTML; names no file of the archive."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=select_autoescape(), trim_blocks=True
    )
    reasons = pd.Series([f"{stage}: {_kind(reason)}" for _, stage, reason in failures], dtype="object")
    return environment.get_template("cohort.html.jinja").render(
        study=study,
        caution=CAUTION,
        n_candidates=n_candidates,
        n_done=len(cohort),
        n_placed=int(cohort["length_mm"].notna().sum()) if len(cohort) else 0,
        reasons=reasons.value_counts().items(),
        histograms=[_histogram(cohort, column, title) for column, title in DISTRIBUTIONS.items() if len(cohort)],
        outliers=_outliers(cohort),
        read_first=_read_first(cohort),
    )


def _kind(reason: str) -> str:
    """A reason without what is particular to one file; an unforeseen fault's own words may name it."""
    if reason.startswith("unexpected "):
        return reason.split(":")[0]
    return reason.rsplit(": ", 1)[-1].split(";")[0][:120]


def _histogram(cohort: pd.DataFrame, column: str, title: str) -> dict[str, object]:
    values = cohort[column].to_numpy(dtype=np.float64)
    values = values[np.isfinite(values)]
    if not values.size:
        return {"title": title, "n": 0, "bars": [], "low": "", "high": "", "median": ""}
    counts, edges = np.histogram(values, bins=min(20, max(5, int(np.sqrt(values.size)) + 1)))
    height = 60.0 * counts / counts.max()
    width = 240.0 / len(counts)
    bars = [
        {"x": round(i * width, 2), "y": round(60.0 - h, 2), "width": round(width - 1, 2), "height": round(float(h), 2)}
        for i, h in enumerate(height)
    ]
    low, high, median = (f"{v:.3g}" for v in (edges[0], edges[-1], float(np.median(values))))
    return {"title": title, "n": len(values), "bars": bars, "low": low, "high": high, "median": median}


def _outliers(cohort: pd.DataFrame) -> list[dict[str, str]]:
    out = []
    for column, title in DISTRIBUTIONS.items():
        if not len(cohort):
            continue
        score = _modified_z(cohort[column].to_numpy(dtype=np.float64))
        for i in np.flatnonzero(np.abs(score) > FAR_OUT).tolist():
            value = f"{float(cohort[column].iloc[i]):.3g}"
            out.append({"run": str(cohort["run"].iloc[i]), "what": title, "value": value, "score": f"{score[i]:+.1f}"})
    return out


def _modified_z(values: FloatArray) -> FloatArray:
    middle = np.nanmedian(values) if np.isfinite(values).any() else 0.0
    spread = np.nanmedian(np.abs(values - middle)) if np.isfinite(values).any() else 0.0
    return np.nan_to_num(0.6745 * (values - middle) / spread) if spread > 0 else np.zeros_like(values)


def _read_first(cohort: pd.DataFrame) -> list[dict[str, str]]:
    if not len(cohort):
        return []
    waiting = cohort[cohort["reviewed_pct"] < 100].sort_values("doubtful_pct", ascending=False).head(_READ_FIRST)
    return [
        {"run": str(row["run"]), "doubtful": f"{row['doubtful_pct']:.1f}", "reviewed": f"{row['reviewed_pct']:.0f}"}
        for row in waiting.to_dict("records")
    ]
