"""Areas and volumes on all frames against those on the frames of one phase; a gated run with one frame per beat."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest

import boreline
from boreline.columns import FRAMES, PROFILE
from boreline.errors import InputRefused
from boreline.results.tables import write_csv
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline.workflow.gated import profiles
from boreline_cli.main import main
from boreline_phantoms import scenes
from boreline_phantoms.writing import write_scene

N_FRAMES, EVERY = 24, 3


@pytest.fixture(scope="module")
def run_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("scene")
    write_scene(scenes.get("healthy").with_(frames=N_FRAMES, size=256), out)
    return out / "run.dcm"


@pytest.fixture(scope="module")
def result(run_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose every third frame lies at the phase that was chosen, two tenths smaller than the others."""
    case = analyse(run_file, tmp_path_factory.mktemp("out") / "case")
    frames, folder = case.frames(), case.path
    frames["gated"] = np.arange(N_FRAMES) % EVERY == 0
    frames["lumen_area_mm2"] = np.where(frames["gated"], 8.0, 10.0)
    frames["position_mm"] = 0.5 * np.arange(N_FRAMES)
    write_csv(FRAMES, frames, folder / "frames.csv")
    return folder


def test_volumes_of_both_kinds_follow_from_their_areas(result: Path, tmp_path: Path) -> None:
    table = tmp_path / "gated.csv"
    found = profiles(result, from_mm=1.5, to_mm=9.0, table=table)
    # By hand: 7.5 mm of 8 mm2 are 60 mm3; linear from 8 to 10, 10 and 8 again within 1.5 mm they are 70.
    gated, whole = (found[name]["volumes"] for name in ("gated_frames", "all_frames"))
    for rule in gated:
        assert gated[rule]["lumen_mm3"] == pytest.approx(60.0, rel=0.02)
        assert whole[rule]["lumen_mm3"] == pytest.approx(70.0, rel=0.02)
    assert tuple(pd.read_csv(table).columns) == PROFILE.names
    assert pd.read_csv(table)["lumen_area_mm2"].dropna().eq(8.0).all()


def test_the_command_prints_both_and_machines_can_read_it(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--from", "1.5", "--to", "9", "--json"], []):
        with pytest.raises(SystemExit) as end:
            main(["profile", str(result), *words])
        assert not end.value.code
        shown = capsys.readouterr().out
        if words:
            assert json.loads(shown)["gated_frames"]["smallest_lumen_area_mm2"] == pytest.approx(8.0)
        else:
            assert "gated frames" in shown


def test_a_part_that_is_not_covered_and_a_run_that_is_not_gated_are_refused(result: Path, run_file: Path) -> None:
    with pytest.raises(InputRefused, match="no profile from 40"):
        profiles(result, from_mm=40.0, to_mm=50.0)
    other = analyse(run_file, result.parent / "plain")
    frames = other.frames()
    frames["gated"] = False
    write_csv(FRAMES, frames, other.path / "frames.csv")
    with pytest.raises(InputRefused, match="was not gated"):
        profiles(other.path)


def test_an_operator_may_state_one_frame_per_beat(run_file: Path, tmp_path: Path) -> None:
    """PS3.3 C.8.5.6: the gated rate is millimetres per beat, so frame i lies i rates from the start."""
    data = pydicom.dcmread(run_file)
    data.IVUSAcquisition = "GATED_PULLBACK"
    data.IVUSGatedRate = 0.5
    if "IVUSPullbackRate" in data:
        del data.IVUSPullbackRate
    data.save_as(tmp_path / "gated.dcm")
    silent = analyse(tmp_path / "gated.dcm", tmp_path / "silent")
    assert silent.frames()["position_mm"].isna().all()
    stated = analyse(tmp_path / "gated.dcm", tmp_path / "stated", AnalyseOptions(one_frame_per_beat=True))
    steps = np.abs(np.diff(stated.frames()["position_mm"]))
    np.testing.assert_allclose(steps[:10], 0.5, atol=1e-6)
    assert stated.record["parameters"]["one_frame_per_beat"] is True
    assert boreline.ResultFolder.open(stated.path).frames()["position_mm"].notna().any()
