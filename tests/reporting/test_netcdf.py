"""The NetCDF file holds the tables' and contours' own numbers, under metadata that CF 1.8 asks for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from result_folders import phantom_run, result_of_truth
from scipy.io import netcdf_file

from boreline.columns import FRAMES, PROFILE, Kind
from boreline.flags import Flag, parse_flags
from boreline.model import Structure
from boreline.results import ResultFolder
from boreline.workflow.export import export
from boreline_cli.main import main


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> ResultFolder:
    base = tmp_path_factory.mktemp("netcdf")
    return result_of_truth(phantom_run(base / "phantom", "stent", frames=24, size=192), base / "result")


@pytest.fixture(scope="module")
def path(result: ResultFolder) -> Path:
    key = result.path.parent / "key"
    key.write_text("0123456789abcdef")
    with pytest.raises(SystemExit) as ended:
        main(["export", str(result.path), "--out", str(result.path.parent / "out"), "--key", str(key), "--netcdf"])
    assert not ended.value.code
    return result.path.parent / "out" / "exchange" / "run.nc"


def test_it_is_a_classic_netcdf_file(path: Path) -> None:
    """The first bytes by the format's specification: CDF and version 2 (64-bit offsets)."""
    assert path.read_bytes()[:4] == b"CDF\x02"


def test_tables_come_back(result: ResultFolder, path: Path) -> None:
    with netcdf_file(path, "r", mmap=False) as file:
        for table, data, prefix in ((FRAMES, result.frames(), ""), (PROFILE, result.profile(), "profile_")):
            assert data is not None
            for column in table.columns:
                variable = file.variables[prefix + column.name]
                assert variable.long_name.decode() == column.meaning
                if column.kind is Kind.NUMBER:
                    np.testing.assert_array_equal(variable[:], data[column.name].to_numpy(dtype=float))
                    assert variable.units.decode() in {"mm", "mm2", "s", "degree", "percent", "1"}
                elif column.kind is Kind.INTEGER:
                    np.testing.assert_array_equal(variable[:], data[column.name])
        assert file.Conventions == b"CF-1.8"
        assert b"not a medical device" in file.comment


def test_flags_come_back(result: ResultFolder, path: Path) -> None:
    with netcdf_file(path, "r", mmap=False) as file:
        variable = file.variables["flags"]
        words = variable.flag_meanings.decode().split()
        masks = variable.flag_masks
        assert words == [flag.value for flag in Flag]
        for bits, cell in zip(variable[:], result.frames()["flags"], strict=True):
            assert {w for w, mask in zip(words, masks, strict=True) if bits & mask} == set(parse_flags(cell))
        assert variable[:].any()


def test_contours_come_back(result: ResultFolder, path: Path) -> None:
    with netcdf_file(path, "r", mmap=False) as file:
        for structure in Structure:
            contours, name = result.contours(structure), structure.value
            ends = np.cumsum(file.variables[f"{name}_row_size"][:])
            assert file.variables[f"{name}_row_size"].sample_dimension.decode() == f"{name}_vertex"
            for frame in range(contours.n_frames):
                rows = slice(ends[frame] - len(contours.polygon(frame)), ends[frame])
                for axis, way in enumerate("xy"):
                    np.testing.assert_array_equal(
                        file.variables[f"{name}_{way}_px"][rows], contours.polygon(frame)[:, axis]
                    )
            np.testing.assert_array_equal(file.variables[f"{name}_seen"][:], contours.seen)
            np.testing.assert_array_equal(file.variables[f"{name}_origin"][:], contours.origin)


def test_it_is_written_only_when_asked(result: ResultFolder, tmp_path: Path) -> None:
    done = export(result.path, tmp_path / "out", key_file=result.path.parent / "key")
    assert not [path for path in done.files if path.suffix == ".nc"]
