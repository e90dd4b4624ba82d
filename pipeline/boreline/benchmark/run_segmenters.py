"""The segmenter benchmark from cases to a folder of results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from boreline._version import __version__
from boreline.benchmark.segmenter_page import page
from boreline.benchmark.segmenters import Tell, measure, summarise
from boreline.errors import InputRefused
from boreline.model import JsonValue
from boreline.results.record import json_ready
from boreline.segmentation.protocol import Segmenter
from boreline_phantoms import Scene

_SHOWN = (
    "jaccard_median",
    "jaccard_p10",
    "hausdorff95_median_mm",
    "abs_area_error_median_pct",
    "area_bias_median_pct",
    "given_though_hidden_pct",
    "inside_95_pct",
    "frames_per_s",
)


@dataclass(frozen=True, slots=True)
class Result:
    """Tables of one benchmark: per difficulty, per case, per frame."""

    by_difficulty: pd.DataFrame
    by_case: pd.DataFrame
    frames: pd.DataFrame

    def record(self) -> JsonValue:
        """For JSON: NaN as null."""
        return json_ready(self.by_difficulty.to_dict(orient="records"))

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Headings and rows for a terminal."""
        keys = ["segmenter", "structure", "difficulty", "frames"]
        shown = [name for name in _SHOWN if name in self.by_difficulty]
        rows = [
            [str(row[key]) for key in keys] + ["" if pd.isna(row[name]) else f"{row[name]:.3f}" for name in shown]
            for _, row in self.by_difficulty.iterrows()
        ]
        return keys + [name.replace("_", " ") for name in shown], rows


def run_benchmark(
    cases: Sequence[Scene | Path],
    segmenters: Sequence[Segmenter],
    out: Path,
    *,
    threads: int = 1,
    tell: Tell = lambda _: None,
) -> Result:
    """Measure and write ``by_difficulty.csv``, ``by_case.csv``, ``frames.csv`` and ``index.html`` into a new folder.

    Raises
    ------
    InputRefused
        `out` exists and holds files.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputRefused("already holds files", file=out, remedy="give another folder with --out")
    frames = measure(cases, segmenters, threads=threads, tell=tell)
    result = Result(summarise(frames, "difficulty"), summarise(frames, "case"), frames)
    out.mkdir(parents=True, exist_ok=True)
    heading = f"Segmenters against truth: boreline {__version__}, {datetime.now(UTC):%Y-%m-%d}"
    result.by_difficulty.to_csv(out / "by_difficulty.csv", index=False, float_format="%.5g")
    result.by_case.to_csv(out / "by_case.csv", index=False, float_format="%.5g")
    frames.to_csv(out / "frames.csv", index=False, float_format="%.5g")
    summaries = {"By difficulty": result.by_difficulty, "By case": result.by_case}
    (out / "index.html").write_text(page(frames, summaries, heading), encoding="utf-8")
    return result
