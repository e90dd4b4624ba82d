"""Tables survive the trip to disk and back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from boreline.columns import FRAMES, Kind
from boreline.errors import InputRefused
from boreline.model import Contours, SectorKind, Sectors, Structure
from boreline.results.tables import (
    read_contours,
    read_csv,
    read_sectors,
    write_contours,
    write_csv,
    write_sectors,
)


def random_contours(structure: Structure, counts: list[int], seed: int) -> Contours:
    rng = np.random.default_rng(seed)
    n = sum(counts)
    return Contours(
        structure,
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        rng.uniform(0, 512, (n, 2)).astype(np.float32),
        rng.random(n) < 0.5,
        rng.integers(0, 3, n).astype(np.uint8),
    )


@given(counts=st.lists(st.sampled_from([0, 0, 3, 5, 128]), min_size=1, max_size=12), seed=st.integers(0, 2**32 - 1))
def test_contours_come_back_bit_for_bit(tmp_path_factory: pytest.TempPathFactory, counts: list[int], seed: int) -> None:
    path = tmp_path_factory.mktemp("contours") / "contours.parquet"
    written = {structure: random_contours(structure, counts, seed + i) for i, structure in enumerate(Structure)}
    write_contours(written, path)
    for structure, contours in written.items():
        back = read_contours(path, structure, len(counts))
        np.testing.assert_array_equal(back.offsets, contours.offsets)
        np.testing.assert_array_equal(back.xy_px, contours.xy_px)
        np.testing.assert_array_equal(back.seen, contours.seen)
        np.testing.assert_array_equal(back.origin, contours.origin)


def test_contours_of_a_file_in_any_order_of_rows(tmp_path: Path) -> None:
    """pandas shuffles the rows and writes them in groups that cut through frames."""
    path, shuffled = tmp_path / "contours.parquet", tmp_path / "shuffled.parquet"
    written = {structure: random_contours(structure, [5, 0, 128, 3], i) for i, structure in enumerate(Structure)}
    write_contours(written, path)
    pd.read_parquet(path).sample(frac=1, random_state=1).to_parquet(shuffled, row_group_size=50)
    for structure, contours in written.items():
        back = read_contours(shuffled, structure, 4)
        np.testing.assert_array_equal(back.offsets, contours.offsets)
        np.testing.assert_array_equal(back.xy_px, contours.xy_px)
        np.testing.assert_array_equal(back.origin, contours.origin)


def test_some_frames_of_contours() -> None:
    contours = random_contours(Structure.EEM, [3, 0, 5, 4], 2)
    some = contours.only([2, 1])
    assert some.n_frames == 4
    assert some.present.tolist() == [False, False, True, False]
    np.testing.assert_array_equal(some.polygon(2), contours.polygon(2))
    np.testing.assert_array_equal(some.seen_at(2), contours.seen_at(2))
    np.testing.assert_array_equal(some.origin_at(2), contours.origin_at(2))


def test_contour_files_count_frames_from_one(tmp_path: Path) -> None:
    path = tmp_path / "contours.parquet"
    contours = {structure: random_contours(structure, [0, 4], 1) for structure in Structure}
    write_contours(contours, path)
    data = pd.read_parquet(path)
    assert set(data["frame"]) == {2}
    assert sorted(set(data["vertex"])) == [0, 1, 2, 3]
    with pytest.raises(InputRefused, match=r"outside 1\.\.1"):
        read_contours(path, Structure.LUMEN, 1)


def test_sectors_come_back(tmp_path: Path) -> None:
    path = tmp_path / "sectors.parquet"
    sectors = Sectors(
        np.array([0, 4]),
        (SectorKind.SHADOW, SectorKind.CALCIUM),
        np.array([10.0, 350.0]),
        np.array([40.0, 380.0]),
        np.array([np.nan, 1.5]),
    )
    write_sectors(sectors, path)
    back = read_sectors(path)
    np.testing.assert_array_equal(back.frame, sectors.frame)
    assert back.kind == sectors.kind
    np.testing.assert_array_equal(back.depth_mm, sectors.depth_mm)
    assert list(pd.read_parquet(path)["frame"]) == [1, 5]


def frames_like(n: int) -> pd.DataFrame:
    rng = np.random.default_rng(0)
    data: dict[str, object] = {}
    for column in FRAMES.columns:
        match column.kind:
            case Kind.INTEGER:
                data[column.name] = np.arange(1, n + 1)
            case Kind.NUMBER:
                data[column.name] = np.where(rng.random(n) < 0.3, np.nan, rng.uniform(0, 20, n).round(4))
            case Kind.BOOLEAN:
                data[column.name] = pd.array([True, False, pd.NA] * n, dtype="boolean")[:n]
            case Kind.TEXT:
                data[column.name] = ["", "branch", "blank;in_guide"][:1] * n
    return pd.DataFrame(data)


def test_csv_keeps_values_and_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "frames.csv"
    data = frames_like(20)
    write_csv(FRAMES, data, path)
    back = read_csv(FRAMES, path)
    assert list(back.columns) == list(FRAMES.names)
    for column in FRAMES.columns:
        if column.kind is Kind.NUMBER:
            tolerance = 0.5 * 10.0**-column.decimals
            np.testing.assert_allclose(back[column.name], data[column.name], atol=tolerance, rtol=0)
        else:
            assert back[column.name].astype("object").equals(data[column.name].astype("object"))


def test_csv_that_lacks_a_column_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "frames.csv"
    path.write_text("frame\n1\n")
    with pytest.raises(InputRefused, match="lacks the column 'time_s'"):
        read_csv(FRAMES, path)


def test_csv_with_a_word_for_a_number_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "frames.csv"
    write_csv(FRAMES, frames_like(2), path)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], lines[1].replace("1,", "1,soon", 1), lines[2]]) + "\n")
    with pytest.raises(InputRefused, match="time_s"):
        read_csv(FRAMES, path)
