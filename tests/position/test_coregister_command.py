"""`boreline coregister`: all files of the contract in one step, or a refusal that leaves the folder as it was."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pydicom
import pytest
from filming import Filmed

from boreline.flags import Flag
from boreline.model import Contours, PullbackKind, Run, Sectors, Segmentation, Structure
from boreline.results import ResultFolder
from boreline.workflow import analyse as analyse_module
from boreline_cli.main import main
from boreline_phantoms import scenes, write_scene
from boreline_phantoms.records import Acquisition
from boreline_phantoms.xray_check import mean_error_mm


@dataclass(frozen=True)
class Circles:
    """A segmenter that sees a lumen of 3 mm diameter everywhere, and the guide in the last frames."""

    name: str = "circles"
    version: str = "1"
    in_guide: int = 40

    def segment(self, run: Run, **_: object) -> Segmentation:
        n = run.n_frames
        angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
        middle = np.array([(run.region.x0 + run.region.x1) / 2, (run.region.y0 + run.region.y1) / 2])
        polygon = middle + 1.5 / run.calibration.mm_per_px * np.column_stack([np.cos(angle), np.sin(angle)])
        unknown = np.full(n, np.nan)
        lumen = Contours.from_polygons(Structure.LUMEN, [polygon] * n)
        rest = {s: Contours.empty(s, n) for s in (Structure.EEM, Structure.STENT)}
        flags = [frozenset[Flag]()] * (n - self.in_guide) + [frozenset({Flag.IN_GUIDE})] * self.in_guide
        return Segmentation(
            contours={Structure.LUMEN: lumen, **rest},
            sectors=Sectors.empty(),
            confidence=dict.fromkeys(Structure, unknown),
            area_sd_mm2=dict.fromkeys(Structure, unknown),
            eem_hidden_deg=unknown,
            calcium_arc_deg=unknown,
            malapposition_mm=unknown,
            flags=tuple(flags),
        )


@pytest.fixture(scope="module")
def results(filmed: Filmed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("analysed")
    scene = replace(
        scenes.circle(3.0, mm_per_px=0.1).with_(frames=filmed.scene.ivus_frames),
        acquisition=Acquisition(kind=PullbackKind.MANUAL, frame_rate_hz=filmed.scene.ivus_rate_hz),
    )
    run = write_scene(scene, folder / "ivus", encoding="explicit")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analyse_module, "load_segmenter", lambda _name: Circles())
        analyse_module.analyse(run, folder / "case")
    return folder / "case"


def contents(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".lock"
    }


def run_command(*arguments: object) -> int:
    with pytest.raises(SystemExit) as stop:
        main([str(argument) for argument in arguments])
    return int(str(stop.value.code))


def changed(source: Path, target: Path, **values: object) -> Path:
    header = pydicom.dcmread(source)
    for keyword, value in values.items():
        setattr(header, keyword, value)
    header.save_as(target)
    return target


def refusals(filmed: Filmed, tmp: Path) -> dict[str, tuple[Path, Path, str]]:
    fluoro, cine = filmed.folder / "fluoro.dcm", filmed.folder / "cine.dcm"
    still = pydicom.dcmread(fluoro)
    size = still.Rows * still.Columns
    still.PixelData = still.PixelData[:size] * int(still.NumberOfFrames)
    still.save_as(tmp / "still.dcm")
    return {
        "still": (tmp / "still.dcm", cine, "marker"),
        "apart": (changed(fluoro, tmp / "apart.dcm", AcquisitionDateTime="20250314120000+0000"), cine, "--offset S"),
        "view": (fluoro, changed(cine, tmp / "view.dcm", PositionerPrimaryAngle="40"), "another view"),
        "ivus": (fluoro, filmed.folder / "truth" / "path.parquet", "path.parquet"),
    }


@pytest.mark.parametrize("case", ["still", "apart", "view", "ivus"])
def test_a_refusal_is_one_line_and_touches_nothing(
    results: Path, filmed: Filmed, tmp_path: Path, case: str, capsys: pytest.CaptureFixture[str]
) -> None:
    fluoro, cine, word = refusals(filmed, tmp_path)[case]
    before = contents(results)
    assert run_command("coregister", results, "--fluoro", fluoro, "--cine", cine) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert word in line
    assert contents(results) == before


def test_all_files_are_written_in_one_step(results: Path, filmed: Filmed, capsys: pytest.CaptureFixture[str]) -> None:
    assert not (results / "profile.csv").exists()
    fluoro, cine = filmed.folder / "fluoro.dcm", filmed.folder / "cine.dcm"
    assert run_command("coregister", results, "--fluoro", fluoro, "--cine", cine, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["axis"]["source"] == "fluoroscopy"
    assert told["coregistration"]["lower_bound"] is True

    folder = ResultFolder.open(results)
    frames, profile = folder.frames(), folder.profile()
    position = frames["position_mm"].to_numpy()
    assert mean_error_mm(position, filmed.scene.position_mm()) < 0.4
    in_vessel = ~frames["flags"].str.contains("in_guide").to_numpy()
    assert np.nanmin(position[in_vessel]) == 0.0
    assert profile is not None
    assert profile["lumen_area_mm2"].dropna().to_numpy() == pytest.approx(np.pi * 1.5**2, rel=0.01)

    path = pd.read_parquet(results / "path.parquet")
    marker = pd.read_parquet(results / "marker.parquet")
    assert list(path.columns) == ["frame", "x_px", "y_px", "arc_mm"]
    assert list(marker.columns) == ["frame", "x_px", "y_px", "confidence"]
    assert path["frame"].is_monotonic_increasing
    # A length along the path and the position differ by one constant.
    assert np.ptp(path["arc_mm"] - position[path["frame"] - 1]) < 2e-4

    record = folder.record
    assert record["uncertainty"]["axis_scale_relative_sd"] == record["axis"]["scale_relative_sd"]
    assert record["stages"]["position"]["status"] == record["stages"]["profile"]["status"] == "done"
    assert {check["id"] for check in record["acquisition"]} >= {"fluoro_rate", "view", "vasodilator"}
    picture = cv2.imread(str(results / "coregistration.png"))
    assert picture.shape == (1024, 1024, 3)


def test_a_second_time_replaces_the_first(results: Path, filmed: Filmed) -> None:
    fluoro, cine = filmed.folder / "fluoro.dcm", filmed.folder / "cine.dcm"
    offset = filmed.scene.fluoro.start_s
    click = ",".join(f"{v:.2f}" for v in (31, *filmed.scene.marker_px()[30]))
    arguments = ("coregister", results, "--fluoro", fluoro, "--cine", cine, "--offset", offset, "--marker", click)
    assert run_command(*arguments) == 0
    found = ResultFolder.open(results).record["coregistration"]
    assert found["offset"]["source"] == "operator"
    assert found["stated"]["clicks"][0][0] == 31
    marker = pd.read_parquet(results / "marker.parquet").set_index("frame")
    assert marker.loc[31, "confidence"] == 1.0
    np.testing.assert_allclose(marker.loc[31, ["x_px", "y_px"]], filmed.scene.marker_px()[30], atol=0.01)


def test_inspect_shows_every_condition(results: Path, filmed: Filmed, capsys: pytest.CaptureFixture[str]) -> None:
    run = results.parent / "ivus" / "run.dcm"
    films = ("--fluoro", filmed.folder / "fluoro.dcm", "--cine", filmed.folder / "cine.dcm")
    assert run_command("inspect", run, *films, "--vessel", "lad", "--json") == 0
    checks = {check["id"]: check for check in json.loads(capsys.readouterr().out)["acquisition"]}
    assert checks["view"]["verdict"] == checks["marker_visible"]["verdict"] == "met"
    assert checks["vasodilator"]["verdict"] == "not_assessable"
    assert checks["simultaneous"]["value"] == pytest.approx(13.6, abs=0.2)
