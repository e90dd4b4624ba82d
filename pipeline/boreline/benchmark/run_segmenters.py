"""The segmenter benchmark from cases to a folder of results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from boreline._version import __version__
from boreline.benchmark.segmenter_page import page
from boreline.benchmark.segmenters import Tell, measure, summarise
from boreline.benchmark.smallest_lumen import COLUMNS as MLA_COLUMNS
from boreline.benchmark.smallest_lumen import smallest_lumens, summarise_smallest
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
    """Tables of one benchmark: per difficulty, per case, per frame; of the smallest lumen, per run and scenario."""

    by_difficulty: pd.DataFrame
    by_case: pd.DataFrame
    frames: pd.DataFrame
    mla: pd.DataFrame
    mla_by_scenario: pd.DataFrame
    mla_by_difficulty: pd.DataFrame

    def record(self) -> JsonValue:
        """For JSON: NaN as null."""
        tables = {
            "by_difficulty": self.by_difficulty,
            "mla_by_difficulty": self.mla_by_difficulty,
            "mla_by_scenario": self.mla_by_scenario,
        }
        return json_ready({name: table.to_dict(orient="records") for name, table in tables.items()})

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Headings and rows for a terminal."""
        keys = ["segmenter", "structure", "difficulty", "frames"]
        shown = [name for name in _SHOWN if name in self.by_difficulty]
        rows = [
            [str(row[key]) for key in keys] + ["" if pd.isna(row[name]) else f"{row[name]:.3f}" for name in shown]
            for _, row in self.by_difficulty.iterrows()
        ]
        return keys + [name.replace("_", " ") for name in shown], rows

    def mla_table(self) -> tuple[list[str], list[list[str]]]:
        """The same for the smallest lumen of each run, medians per difficulty and per scenario."""
        parts = ((self.mla_by_difficulty, "difficulty"), (self.mla_by_scenario, "scenario"))
        rows = [
            [row["segmenter"], row[by], *("" if pd.isna(row[name]) else f"{row[name]:.3g}" for name in MLA_COLUMNS)]
            for table, by in parts
            for _, row in table.iterrows()
        ]
        return ["segmenter", "runs of", *(name.replace("_", " ") for name in MLA_COLUMNS)], rows


def run_benchmark(
    cases: Sequence[Scene | Path],
    segmenters: Sequence[Segmenter],
    out: Path,
    *,
    threads: int = 1,
    tell: Tell = lambda _: None,
) -> Result:
    """Measure and write the tables (CSV) and ``index.html`` into a new folder.

    ``by_difficulty.csv``, ``by_case.csv``, ``frames.csv``; of the smallest lumen ``mla.csv`` (per run),
    ``mla_by_scenario.csv`` and ``mla_by_difficulty.csv``.

    Raises
    ------
    InputRefused
        `out` exists and holds files.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputRefused("already holds files", file=out, remedy="give another folder with --out")
    frames = measure(cases, segmenters, threads=threads, tell=tell)
    mla = smallest_lumens(frames)
    result = Result(
        by_difficulty=summarise(frames, "difficulty"),
        by_case=summarise(frames, "case"),
        frames=frames,
        mla=mla,
        mla_by_scenario=summarise_smallest(mla, "scenario"),
        mla_by_difficulty=summarise_smallest(mla, "difficulty"),
    )
    out.mkdir(parents=True, exist_ok=True)
    for field in fields(result):
        getattr(result, field.name).to_csv(out / f"{field.name}.csv", index=False, float_format="%.5g")
    heading = f"Segmenters against truth: boreline {__version__}, {datetime.now(UTC):%Y-%m-%d}"
    summaries = {
        "By difficulty": result.by_difficulty,
        "Smallest lumen (MLA), by difficulty": result.mla_by_difficulty,
        "Smallest lumen (MLA), by scenario": result.mla_by_scenario,
        "Smallest lumen (MLA), by run": result.mla,
        "By case": result.by_case,
    }
    (out / "index.html").write_text(page(frames, summaries, heading), encoding="utf-8")
    return result
