"""Truth in the contract's own tables, so that truth and result are read by one reader."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from boreline.columns import CONTOURS, FRAMES, SECTORS, Kind, Table
from boreline.flags import join_flags
from boreline.model import ORIGINS, Contours, JsonValue, Structure
from boreline_phantoms.records import Truth

_ARROW = {Kind.INTEGER: pa.int64(), Kind.NUMBER: pa.float64(), Kind.TEXT: pa.string(), Kind.BOOLEAN: pa.bool_()}

_FRAMES_AT_ONCE = 50


def write_truth(truth: Truth, folder: Path, *, left_px: int = 0, top_px: int = 0) -> None:
    """Write `frames.csv`, `contours.parquet`, `sectors.parquet` and, where known, `motion.csv` into `folder`.

    `left_px` and `top_px` place the cross-section in the DICOM frame.
    """
    folder.mkdir(parents=True, exist_ok=True)
    frames_table(truth).to_csv(folder / FRAMES.file, index=False)
    with pq.ParquetWriter(folder / CONTOURS.file, _schema(CONTOURS)) as out:
        for start in range(0, truth.n_frames, _FRAMES_AT_ONCE):
            part = contours_table(truth, left_px, top_px, start=start, stop=start + _FRAMES_AT_ONCE)
            out.write_table(_to_arrow(part, CONTOURS))
    pq.write_table(_to_arrow(sectors_table(truth), SECTORS), folder / SECTORS.file)
    if truth.motion:
        motion = {"frame": np.arange(1, truth.n_frames + 1), **truth.motion}
        pd.DataFrame(motion).to_csv(folder / "motion.csv", index=False, float_format="%.5f")


def write_description(values: Mapping[str, JsonValue], folder: Path) -> None:
    """Write `scene.json`: the numbers behind the scene."""
    text = json.dumps(values, indent=2, ensure_ascii=False, sort_keys=True)
    (folder / "scene.json").write_text(text + "\n", encoding="utf-8")


def frames_table(truth: Truth) -> pd.DataFrame:
    """`frames.csv` as a table of text: rounded as the data dictionary says, empty where unknown."""
    n = truth.n_frames
    cells: dict[str, list[str]] = {}
    for column in FRAMES.columns:
        if column.name == "frame":
            cells["frame"] = [str(number) for number in range(1, n + 1)]
        elif column.name == "flags":
            cells["flags"] = [join_flags(flags) for flags in truth.flags]
        elif column.name in truth.columns:
            values = truth.columns[column.name]
            cells[column.name] = [f"{v:.{column.decimals}f}" if np.isfinite(v) else "" for v in values]
        else:
            cells[column.name] = [""] * n
    return pd.DataFrame(cells)


def contours_table(
    truth: Truth, left_px: int = 0, top_px: int = 0, *, start: int = 0, stop: int | None = None
) -> pd.DataFrame:
    """`contours.parquet` as a table, of frames [start, stop)."""
    stop = truth.n_frames if stop is None else min(stop, truth.n_frames)
    parts = [_one_structure(truth.contours[s], left_px, top_px, start, stop) for s in Structure if s in truth.contours]
    return pd.concat(parts).sort_values(["frame", "structure", "vertex"], kind="stable", ignore_index=True)


def _one_structure(contours: Contours, left_px: int, top_px: int, start: int, stop: int) -> pd.DataFrame:
    frame = np.repeat(np.arange(start, stop), np.diff(contours.offsets[start : stop + 1]))
    rows = slice(int(contours.offsets[start]), int(contours.offsets[stop]))
    return pd.DataFrame(
        {
            "frame": frame + 1,
            "structure": contours.structure.value,
            "vertex": np.arange(rows.start, rows.stop) - contours.offsets[frame],
            "x_px": contours.xy_px[rows, 0].astype(np.float64) + left_px,
            "y_px": contours.xy_px[rows, 1].astype(np.float64) + top_px,
            "seen": contours.seen[rows],
            "origin": [ORIGINS[code].value for code in contours.origin[rows]],
        }
    )


def sectors_table(truth: Truth) -> pd.DataFrame:
    """`sectors.parquet` as a table."""
    sectors = truth.sectors
    return pd.DataFrame(
        {
            "frame": sectors.frame + 1,
            "kind": [kind.value for kind in sectors.kind],
            "start_deg": sectors.start_deg,
            "end_deg": sectors.end_deg,
            "depth_mm": sectors.depth_mm,
        }
    )


def _schema(dictionary: Table) -> pa.Schema:
    return pa.schema([(column.name, _ARROW[column.kind]) for column in dictionary.columns])


def _to_arrow(table: pd.DataFrame, dictionary: Table) -> pa.Table:
    return pa.Table.from_pandas(table[list(dictionary.names)], schema=_schema(dictionary), preserve_index=False)
