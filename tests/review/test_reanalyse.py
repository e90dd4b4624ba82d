"""`boreline reanalyse` and the scripted reader, with a quick segmenter that finds circles."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from folders import automatic

from boreline.benchmark.cases import LabelledRun
from boreline.benchmark.reader import read_run_by_queue
from boreline.correction import Baseline, log_path
from boreline.errors import InputRefused
from boreline.model import Contours, Run, Segmentation, Structure
from boreline.reading import read_run
from boreline.results import ResultFolder
from boreline.review.session import RunSession
from boreline.workflow import reanalyse as module
from boreline.workflow.analyse import AnalyseOptions, analyse


class Circles:
    """Stands in for a segmenter; `scale` is what another version would change."""

    name = "circles"
    version = "1"
    scale = 1.0

    def segment(self, run: Run, **_: Any) -> Segmentation:
        found = automatic(run.n_frames, run.source.rows)
        lumen = found.contours[Structure.LUMEN]
        middle = (run.source.rows - 1) / 2
        bigger = [middle + (lumen.polygon(f) - middle) * self.scale for f in range(run.n_frames)]
        return replace(
            found, contours={**found.contours, Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, bigger)}
        )


@pytest.fixture
def analysed(folder_template: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("boreline.workflow.analyse.load_segmenter", lambda _name: Circles())
    source = Path(shutil.copy(folder_template["mm"].with_suffix(".dcm"), tmp_path / "run.dcm"))
    out = tmp_path / "out"
    analyse(source, out, AnalyseOptions(pullback_speed_mm_s=1.0))
    return out


def edit(path: Path) -> None:
    from boreline.correction.edits import Points

    session = RunSession(ResultFolder.open(path), "anna", save_after_s=600)
    session.add(Points(frame=20, structure=Structure.LUMEN, points_px=((100.0, 63.5),)), revision=0)
    session.close()


def test_edits_are_carried_over_and_differences_shown(analysed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    edit(analysed)
    before = ResultFolder.open(analysed)
    log = log_path(analysed, "anna").read_bytes()
    monkeypatch.setattr(Circles, "scale", 1.02)
    result = module.reanalyse(analysed)
    after = ResultFolder.open(analysed)
    assert log_path(analysed, "anna").read_bytes() == log
    assert after.record["edits_hash"] == before.record["edits_hash"]
    lumen = {row["structure"]: row for row in result.report["automatic"]}["lumen"]  # type: ignore[index]
    assert lumen["n_different"] == 60
    # A circle that grows by a factor of s in radius overlaps the old one by 1 / s^2.
    assert lumen["median_jaccard"] == pytest.approx(1 / 1.02**2, abs=2e-3)
    assert np.abs(after.contours(Structure.LUMEN).polygon(19) - [100.0, 63.5]).sum(axis=1).min() < 1e-3
    assert result.report["edits"]["edited"]["lumen"] == [20]  # type: ignore[index]
    assert not list(analysed.parent.glob(".*"))


def test_the_same_version_changes_nothing(analysed: Path) -> None:
    edit(analysed)
    before = ResultFolder.open(analysed).contours(Structure.LUMEN)
    report = module.reanalyse(analysed).report
    assert [row["n_different"] for row in report["current"]] == [0, 0]  # type: ignore[index,union-attr]
    assert ResultFolder.open(analysed).contours(Structure.LUMEN).xy_px.tobytes() == before.xy_px.tobytes()


def test_a_failed_reanalysis_leaves_the_folder(analysed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    edit(analysed)
    tables = (analysed / "frames.csv").read_bytes()

    def fail(*_: Any, **__: Any) -> None:
        raise InputRefused("cannot be read")

    monkeypatch.setattr(module, "analyse", fail)
    with pytest.raises(InputRefused):
        module.reanalyse(analysed)
    assert (analysed / "frames.csv").read_bytes() == tables
    assert not list(analysed.parent.glob(".*"))


def test_parameters_may_change(analysed: Path) -> None:
    module.reanalyse(analysed, {"mm_per_px": (0.05, 0.05)})
    assert ResultFolder.open(analysed).calibration().mm_per_px_x == 0.05
    assert ResultFolder.open(analysed).record["parameters"]["pullback_speed_mm_s"] == 1.0


def test_the_scripted_reader_mends_a_run(folder_template: dict[str, Path], folder: Callable[[str], Path]) -> None:
    run = read_run(folder_template["mm"].with_suffix(".dcm"))
    truth = automatic(run.n_frames, run.source.rows, error=0.0)
    wrong = automatic(run.n_frames, run.source.rows, error=0.08)
    labelled = LabelledRun(
        "made", "easy", run, dict(truth.contours), (True,) * run.n_frames, (math.nan,) * run.n_frames
    )
    effort = read_run_by_queue(labelled, Baseline(wrong, run.calibration))
    assert effort.overlap_before < 0.95 <= effort.overlap_after
    assert effort.reached
    assert 0 < effort.drawn <= effort.looked_at < run.n_frames / 3


@pytest.mark.parametrize("other", [{"pullback_speed_mm_s": 0.5}, {"one_frame_per_beat": True}])
def test_positions_from_coregistration_are_carried(analysed: Path, other: dict[str, Any]) -> None:
    """Every frame keeps its place; other inputs of position leave it behind, and both are said."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from boreline.columns import FRAMES
    from boreline.results.tables import write_csv

    folder = ResultFolder.open(analysed)
    frames = folder.frames()
    path_mm = np.cumsum(0.1 + 0.05 * np.sin(np.arange(len(frames)))) - 0.1
    frames["position_mm"] = np.round(path_mm, 4)
    write_csv(FRAMES, frames, analysed / FRAMES.file)
    pq.write_table(pa.table({"frame": [1], "x_px": [1.0], "y_px": [1.0], "arc_mm": [0.0]}), analysed / "path.parquet")
    record = folder.record
    axis = {**record["axis"], "source": "fluoroscopy", "detail": "by hand", "local_sd_mm": 0.4}
    found = {"figure": "coregistration.png", "warnings": ["one bend was not seen"]}
    folder.write_json("run.json", {**record, "axis": axis, "coregistration": found})
    edit(analysed)
    report = module.reanalyse(analysed).report
    after = ResultFolder.open(analysed)
    assert report["positions"] == "carried"
    np.testing.assert_allclose(after.frames()["position_mm"], np.round(path_mm - path_mm[0], 4), atol=2e-4)
    assert after.axis().local_sd_mm == 0.4
    assert after.record["coregistration"]["carried"]["from_versions"] == record["versions"]
    assert "one bend was not seen" in after.record["warnings"]
    assert (analysed / "path.parquet").is_file()
    assert after.profile() is not None

    again = module.reanalyse(analysed, other).report
    assert again["positions"] == "computed"
    assert "path.parquet" in again["to_do_again"]  # type: ignore[operator]
    assert not (analysed / "path.parquet").exists()


def test_a_scale_equation_is_applied_again_without_its_file(
    folder_template: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from boreline.benchmark.scale import write_scale
    from boreline.reading.scale import ScaleEquation

    monkeypatch.setattr("boreline.workflow.analyse.load_segmenter", lambda _name: Circles())
    source = Path(shutil.copy(folder_template["mm"].with_suffix(".dcm"), tmp_path / "run.dcm"))
    file = tmp_path / "catheter.toml"
    write_scale(ScaleEquation("bench", 1.04, 0.01, 0.02, 0.0, 0.5, 6), file)
    analyse(source, tmp_path / "out", AnalyseOptions(pullback_speed_mm_s=1.0, calibration_file=file))
    before = ResultFolder.open(tmp_path / "out").record
    file.unlink()
    module.reanalyse(tmp_path / "out")
    after = ResultFolder.open(tmp_path / "out").record
    assert after["calibration"] == before["calibration"]
    assert after["calibration"]["mm_per_px_x"] == pytest.approx(1.04 * 6.0 / 128, rel=1e-3)
    assert after["parameters"] == before["parameters"]
