"""The main job, end to end, on a small run: files of the contract, refusals that leave nothing behind, determinism."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import boreline
from boreline.columns import CONTOURS, FRAMES, PROFILE, SECTORS
from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline_phantoms import scenes
from boreline_phantoms.writing import write_scene

CONTRACT_FILES = {
    "frames.csv",
    "profile.csv",
    "contours.parquet",
    "sectors.parquet",
    "automatic",
    "run.json",
    "source.json",
    "report.html",
    "longitudinal_cut.png",
}


@pytest.fixture(scope="module")
def scene_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("scene")
    write_scene(scenes.get("healthy").with_(frames=24, size=256), out)
    return out


@pytest.fixture(scope="module")
def result(scene_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> boreline.ResultFolder:
    return analyse(scene_dir / "run.dcm", tmp_path_factory.mktemp("out") / "case")


def test_every_file_of_the_contract_is_there_and_no_other(result: boreline.ResultFolder) -> None:
    assert {path.name for path in result.path.iterdir()} == CONTRACT_FILES
    assert (result.path / "source.json").stat().st_mode & 0o777 == 0o600
    assert not [path for path in result.path.parent.iterdir() if path.name.startswith(".")]


def test_tables_have_the_columns_of_the_dictionary(result: boreline.ResultFolder) -> None:
    assert tuple(pd.read_csv(result.path / "frames.csv").columns) == FRAMES.names
    assert tuple(pd.read_csv(result.path / "profile.csv").columns) == PROFILE.names
    assert tuple(pd.read_parquet(result.path / "contours.parquet").columns) == CONTOURS.names
    assert tuple(pd.read_parquet(result.path / "sectors.parquet").columns) == SECTORS.names


def test_areas_agree_with_the_phantoms_truth(result: boreline.ResultFolder, scene_dir: Path) -> None:
    truth = pd.read_csv(scene_dir / "truth" / "frames.csv")
    frames = result.frames()
    for column in ("lumen_area_mm2", "eem_area_mm2"):
        relative = frames[column] / truth[column] - 1
        assert relative.abs().median() < 0.05, column


def test_positions_follow_the_motor(result: boreline.ResultFolder) -> None:
    frames = result.frames()
    speed_mm_s = result.record["pullback"]["speed_mm_s"]
    np.testing.assert_allclose(frames["position_mm"], speed_mm_s * frames["time_s"], atol=1e-3)


def test_the_record_says_where_each_value_comes_from(result: boreline.ResultFolder) -> None:
    record = json.loads((result.path / "run.json").read_text())
    assert record["calibration"]["origin"] == "region"
    assert "6011" in record["calibration"]["detail"]
    assert record["axis"]["source"] == "motor"
    assert record["segmenter"]["name"]
    assert record["stages"]["sizing"]["status"] == "not_run"
    assert record["current_reader"] is None


def test_the_result_does_not_depend_on_threads_or_on_the_run_of_the_program(
    result: boreline.ResultFolder, scene_dir: Path, tmp_path: Path
) -> None:
    again = analyse(scene_dir / "run.dcm", tmp_path / "again", AnalyseOptions(threads=3))
    for name in ("frames.csv", "profile.csv", "contours.parquet", "sectors.parquet"):
        assert (again.path / name).read_bytes() == (result.path / name).read_bytes(), name


def test_an_existing_folder_is_refused_and_stays(scene_dir: Path, result: boreline.ResultFolder) -> None:
    before = (result.path / "run.json").read_bytes()
    with pytest.raises(InputRefused, match="exists already"):
        analyse(scene_dir / "run.dcm", result.path)
    assert (result.path / "run.json").read_bytes() == before


def test_a_folder_with_edits_is_never_replaced(scene_dir: Path, tmp_path: Path) -> None:
    folder = analyse(scene_dir / "run.dcm", tmp_path / "case")
    (folder.path / "edits").mkdir()
    (folder.path / "edits" / "someone.jsonl").write_text("{}\n")
    with pytest.raises(InputRefused, match="edits"):
        analyse(scene_dir / "run.dcm", folder.path, AnalyseOptions(overwrite=True))


def test_a_foreign_folder_is_never_replaced(scene_dir: Path, tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_text("precious")
    with pytest.raises(InputRefused, match="no result folder"):
        analyse(scene_dir / "run.dcm", tmp_path, AnalyseOptions(overwrite=True))
    assert (tmp_path / "holiday.jpg").exists()


def test_a_refused_run_leaves_nothing_behind(tmp_path: Path) -> None:
    bad = tmp_path / "bad.dcm"
    bad.write_bytes(b"not DICOM at all")
    with pytest.raises(InputRefused):
        analyse(bad, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["bad.dcm"]


def test_a_manual_pullback_has_no_millimetres_until_someone_states_its_speed(tmp_path: Path) -> None:
    write_scene(scenes.get("manual").with_(frames=16, size=192), tmp_path / "scene")
    run = tmp_path / "scene" / "run.dcm"
    timed = analyse(run, tmp_path / "timed")
    assert timed.profile() is None
    assert timed.frames()["position_mm"].isna().all()
    assert timed.record["stages"]["position"]["status"] == "not_possible"
    assert "--pullback-speed" in timed.record["axis"]["detail"]
    placed = analyse(run, tmp_path / "placed", AnalyseOptions(pullback_speed_mm_s=0.5))
    assert placed.record["axis"]["source"] == "operator_speed"
    assert placed.record["parameters"]["pullback_speed_mm_s"] == 0.5
    assert placed.frames()["position_mm"].max() == pytest.approx(0.5 * placed.frames()["time_s"].max(), abs=1e-3)


def test_an_override_of_the_scale_is_used_and_recorded(scene_dir: Path, tmp_path: Path) -> None:
    stated = analyse(scene_dir / "run.dcm", tmp_path / "case", AnalyseOptions(mm_per_px=(0.04, 0.04)))
    assert stated.record["calibration"]["origin"] == "operator"
    assert stated.open_run().calibration.mm_per_px_x == 0.04


def test_a_folder_put_together_again_is_the_segmentation_that_was_written(result: boreline.ResultFolder) -> None:
    segmentation = result.segmentation()
    assert segmentation.n_frames == 24
    assert segmentation.contours[Structure.LUMEN].present.all()
    automatic = result.segmentation(automatic=True)
    np.testing.assert_array_equal(
        segmentation.contours[Structure.LUMEN].xy_px, automatic.contours[Structure.LUMEN].xy_px
    )


def test_the_stages_can_be_called_one_by_one(scene_dir: Path, result: boreline.ResultFolder) -> None:
    """The few lines that README shows."""
    run = boreline.read_run(scene_dir / "run.dcm")
    segmentation = boreline.load_segmenter().segment(run)
    axis = boreline.axis_from_pullback(run)
    frames = boreline.frames_table(segmentation, run.calibration, run.timing, axis)
    profile = boreline.profile_table(frames)
    assert profile is not None
    np.testing.assert_allclose(frames["lumen_area_mm2"], result.frames()["lumen_area_mm2"], atol=1e-4)


def test_public_names_are_what_the_package_offers() -> None:
    for name in boreline.__all__:
        assert getattr(boreline, name) is not None
    with pytest.raises(AttributeError):
        _ = boreline.nothing_of_the_kind
