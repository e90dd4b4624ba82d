"""Tables to files and back, by the data dictionary of `boreline.columns`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from boreline.columns import CONTOURS, SECTORS, Column, Kind, Table
from boreline.errors import InputRefused
from boreline.model import ORIGINS, Contours, IntArray, SectorKind, Sectors, Structure

pa.set_memory_pool(pa.system_memory_pool())  # the default one keeps some 20 MB to itself, whatever the table

FRAMES_PER_GROUP = 100
"""Frames per row group: contours are written and read in pieces, so memory does not grow with the run."""

_RESTORE = "restore the file, or analyse the run again"
_BOOLEANS = {"true": True, "false": False, "": pd.NA}
_CONTOUR_SCHEMA = pa.schema(
    [
        ("frame", pa.int32()),
        ("structure", pa.string()),
        ("vertex", pa.int32()),
        ("x_px", pa.float32()),
        ("y_px", pa.float32()),
        ("seen", pa.bool_()),
        ("origin", pa.string()),
    ]
)


def write_csv(table: Table, data: pd.DataFrame, path: Path) -> None:
    """Write `data` as CSV: the dictionary's columns and decimals, empty cells for the unknown."""
    text = {column.name: _as_text(column, data[column.name]) for column in table.columns}
    pd.DataFrame(text).to_csv(path, index=False, lineterminator="\n")


def _as_text(column: Column, values: pd.Series) -> pd.Series:
    if column.kind is Kind.NUMBER:
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        return pd.Series([f"{v:.{column.decimals}f}" if np.isfinite(v) else "" for v in numbers], dtype="object")
    if column.kind is Kind.BOOLEAN:
        cells = ["" if pd.isna(v) else ("true" if v else "false") for v in values]
        return pd.Series(cells, dtype="object")
    return values.reset_index(drop=True)


def read_csv(table: Table, path: Path) -> pd.DataFrame:
    """Read a table that `write_csv` wrote (further columns are ignored).

    Raises
    ------
    InputRefused
        The file is missing, a column is missing, or a cell is not of its column's type.
    """
    try:
        data = pd.read_csv(path, dtype="string", keep_default_na=False)
    except FileNotFoundError:
        raise InputRefused("is missing", file=path, remedy="run boreline analyse") from None
    except (OSError, ValueError) as cause:
        raise InputRefused(f"cannot be read as CSV: {cause}", file=path, remedy=_RESTORE) from None
    missing = [name for name in table.names if name not in data.columns]
    if missing:
        raise InputRefused(f"lacks the column {missing[0]!r}", file=path, remedy=_RESTORE)
    return pd.DataFrame({column.name: _parse(column, data[column.name], path) for column in table.columns})


def _parse(column: Column, cells: pd.Series, path: Path) -> pd.Series:
    try:
        match column.kind:
            case Kind.NUMBER:
                numbers = pd.to_numeric(cells.where(cells != "", pd.NA))
                return pd.Series(numbers.to_numpy(dtype=np.float64, na_value=np.nan))
            case Kind.INTEGER:
                return pd.to_numeric(cells).astype("int64")
            case Kind.BOOLEAN:
                return pd.Series([_BOOLEANS[cell] for cell in cells], dtype="boolean")
            case Kind.TEXT:
                return cells.astype("object")
    except (KeyError, TypeError, ValueError) as cause:
        raise InputRefused(
            f"column {column.name!r} is not of type {column.kind.value}: {cause}",
            file=path,
            remedy=_RESTORE,
        ) from None


def write_contours(contours: Mapping[Structure, Contours], path: Path) -> None:
    """Write the contours of all structures, some hundred frames at a time.

    Only words repeat: a dictionary of coordinates would make the file larger and take megabytes to build.
    """
    words = ["structure", "origin"]
    with pq.ParquetWriter(path, _CONTOUR_SCHEMA, compression="zstd", use_dictionary=words) as writer:
        for structure in Structure:
            for batch in _contour_batches(contours[structure]):
                writer.write_table(batch)


def _contour_batches(contours: Contours) -> Iterator[pa.Table]:
    origins = pa.array([origin.value for origin in ORIGINS], pa.string())
    for first in range(0, contours.n_frames, FRAMES_PER_GROUP):
        offsets = contours.offsets[first : first + FRAMES_PER_GROUP + 1]
        begin, end = int(offsets[0]), int(offsets[-1])
        if begin == end:
            continue
        counts = np.diff(offsets)
        frame = np.repeat(np.arange(first + 1, first + 1 + len(counts)), counts)
        vertex = np.arange(begin, end) - np.repeat(offsets[:-1], counts)
        yield pa.table(
            {
                "frame": pa.array(frame, pa.int32()),
                "structure": pa.repeat(contours.structure.value, end - begin),
                "vertex": pa.array(vertex, pa.int32()),
                "x_px": pa.array(contours.xy_px[begin:end, 0]),
                "y_px": pa.array(contours.xy_px[begin:end, 1]),
                "seen": pa.array(contours.seen[begin:end]),
                "origin": origins.take(pa.array(contours.origin[begin:end])),
            },
            schema=_CONTOUR_SCHEMA,
        )


def read_contours(path: Path, structure: Structure, n_frames: int) -> Contours:
    """The contours of one structure from a `contours.parquet`.

    Raises
    ------
    InputRefused
        The file is missing, lacks a column, or names a frame beyond `n_frames`.
    """
    with _opened(path) as file:
        groups = _groups_with(file, structure)
        most = sum(file.metadata.row_group(number).num_rows for number in groups)
        counts = np.zeros(n_frames, dtype=np.int64)
        values = np.empty((most, 2), np.float32), np.empty(most, np.bool_), np.empty(most, np.uint8)
        filled, last, in_order = 0, (-1, 0), True
        for frame, vertex, *rows in _rows(file, groups, structure):
            if not (frame.min() >= 0 and frame.max() < n_frames):
                raise InputRefused(
                    f"names a frame outside 1..{n_frames}",
                    file=path,
                    tag="frame",
                    remedy="name contours of this very run",
                )
            counts += np.bincount(frame, minlength=n_frames)
            for whole, part in zip(values, rows, strict=True):
                whole[filled : filled + len(part)] = part
            filled += len(frame)
            in_order = in_order and _follow(np.append(last[0], frame), np.append(last[1], vertex))
            last = frame[-1], vertex[-1]
        xy, seen, origin = (whole[:filled] for whole in values)
        if not in_order:  # another program may have written it
            keys = [rows[:2] for rows in _rows(file, groups, structure)]
            order = np.lexsort(np.concatenate(keys, axis=1)[::-1])
            xy, seen, origin = xy[order], seen[order], origin[order]
    return Contours(structure, np.concatenate([[0], np.cumsum(counts)]), xy, seen, origin)


def _follow(frame: IntArray, vertex: IntArray) -> bool:
    """Rows stand in the order of frames and, within each, of vertices."""
    step = np.diff(frame)
    return bool(np.all((step > 0) | ((step == 0) & (np.diff(vertex) == 1))))


@contextmanager
def _opened(path: Path) -> Iterator[pq.ParquetFile]:
    """A file of contours, or a refusal of whatever is wrong with it while it is read."""
    try:
        with pq.ParquetFile(path, read_dictionary=["structure", "origin"]) as file:
            missing = set(CONTOURS.names) - set(file.schema_arrow.names)
            if missing:
                raise InputRefused(f"lacks the column {min(missing)!r}", file=path, remedy=_RESTORE)
            yield file
    except FileNotFoundError:
        raise InputRefused("is missing", file=path, remedy="run boreline analyse") from None
    except (OSError, pa.ArrowException) as cause:
        raise InputRefused(f"cannot be read: {cause}", file=path, remedy=_RESTORE) from None


def _rows(
    file: pq.ParquetFile, groups: Iterable[int], structure: Structure
) -> Iterator[tuple[np.ndarray[Any, np.dtype[Any]], ...]]:
    """What `_contour_rows` finds in each row group that holds any: a whole file is never in memory at once."""
    for number in groups:
        rows = _contour_rows(file.read_row_group(number, columns=list(CONTOURS.names), use_threads=False), structure)
        if len(rows[0]):
            yield rows


def _groups_with(file: pq.ParquetFile, structure: Structure) -> list[int]:
    """Row groups that may hold contours of a structure, by their statistics."""
    column = file.schema_arrow.names.index("structure")
    found = []
    for number in range(file.num_row_groups):
        bounds = file.metadata.row_group(number).column(column).statistics
        if bounds is None or not bounds.has_min_max or bounds.min <= structure.value <= bounds.max:
            found.append(number)
    return found


def _contour_rows(group: pa.Table, structure: Structure) -> tuple[np.ndarray[Any, np.dtype[Any]], ...]:
    """Frame (from 0), vertex, (x, y), seen and origin code of one structure's rows in a row group."""
    words = group["structure"].combine_chunks()
    keep = np.array([word == structure.value for word in words.dictionary.to_pylist()])[words.indices.to_numpy()]
    codes = {origin.value: code for code, origin in enumerate(ORIGINS)}
    made_by = group["origin"].combine_chunks()
    code = np.array([codes[word] for word in made_by.dictionary.to_pylist()], dtype=np.uint8)
    return (
        (group["frame"].to_numpy()[keep] - 1).astype(np.int32),
        group["vertex"].to_numpy()[keep].astype(np.int32),
        np.column_stack([group["x_px"].to_numpy()[keep], group["y_px"].to_numpy()[keep]]).astype(np.float32),
        group["seen"].to_numpy()[keep].astype(np.bool_),
        code[made_by.indices.to_numpy()[keep]],
    )


def write_sectors(sectors: Sectors, path: Path) -> None:
    """Write the angle ranges of a run."""
    pq.write_table(
        pa.table(
            {
                "frame": pa.array(sectors.frame + 1, pa.int32()),
                "kind": pa.array([kind.value for kind in sectors.kind], pa.string()),
                "start_deg": pa.array(sectors.start_deg, pa.float64()),
                "end_deg": pa.array(sectors.end_deg, pa.float64()),
                "depth_mm": pa.array(sectors.depth_mm, pa.float64(), from_pandas=True),
            }
        ),
        path,
        compression="zstd",
        use_dictionary=["kind"],
    )


def read_sectors(path: Path) -> Sectors:
    """The angle ranges of a run; refuses a file that lacks a column."""
    data = _read_parquet(path, SECTORS)
    return Sectors(
        data["frame"].to_numpy().astype(np.int64) - 1,
        tuple(SectorKind(word) for word in data["kind"].to_pylist()),
        data["start_deg"].to_numpy(),
        data["end_deg"].to_numpy(),
        np.array([np.nan if v is None else v for v in data["depth_mm"].to_pylist()], dtype=np.float64),
    )


def _read_parquet(path: Path, table: Table) -> pa.Table:
    try:
        return pq.read_table(path, columns=list(table.names), use_threads=False)
    except FileNotFoundError:
        raise InputRefused("is missing", file=path, remedy="run boreline analyse") from None
    except (OSError, ValueError, KeyError) as cause:
        raise InputRefused(f"cannot be read: {cause}", file=path, remedy=_RESTORE) from None
