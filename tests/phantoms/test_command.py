"""`boreline phantom`: list, write, picture; and runs filmed by X-ray."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest

from boreline.flags import Flag
from boreline_cli.main import main
from boreline_phantoms import scenes
from boreline_phantoms.gallery import MOST_BYTES, PICTURED


def run(*args: str) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["phantom", *args])
    assert isinstance(stop.value.code, int)
    return stop.value.code


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("list", "--json") == 0
    entries = json.loads(capsys.readouterr().out)
    assert [entry["name"] for entry in entries] == list(scenes.names())
    assert {"vessel", "calcium", "step-tube", "xray-easy"} <= {entry["name"] for entry in entries}
    assert all(entry["description"] for entry in entries)


def test_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "run"
    options = ("--frames", "4", "--size", "96", "--seed", "7", "--mhz", "60", "--encoding", "jpeg-ls", "--json")
    assert run("random:3", "--out", str(out), *options) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["frames"], said["seed"]) == (4, 7)
    ds = pydicom.dcmread(out / "run.dcm")
    assert (ds.NumberOfFrames, ds.Columns) == (4, 96)
    assert ds.SequenceOfUltrasoundRegions[0].TransducerFrequency == 60000
    assert {path.name for path in (out / "truth").iterdir()} == {
        "frames.csv",
        "contours.parquet",
        "sectors.parquet",
        "motion.csv",
        "scene.json",
    }


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("vessel",), "--out"),
        (("nowhere", "--out", "x"), "boreline phantom list"),
        (("vessel", "--out", "x", "--encoding", "mpeg"), "choose from"),
        (("vessel", "--out", "x", "--frames", "0"), "out of range"),
    ],
)
def test_refusals(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    args: tuple[str, ...],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(*args) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_gallery(tmp_path: Path) -> None:
    assert run("gallery", "--out", str(tmp_path / "gallery.png")) == 0
    data = (tmp_path / "gallery.png").read_bytes()
    assert data.startswith(b"\x89PNG")
    assert 50_000 < len(data) <= MOST_BYTES
    assert {name for name, _ in PICTURED} <= set(scenes.names())


@pytest.mark.parametrize("level", ["easy", "hard"])
def test_a_filmed_run_and_its_films_agree(level: str) -> None:
    scene = scenes.get(f"xray-{level}").with_(frames=360)
    truth, films = scene.truth(), scene.content.films(scene)
    assert films is not None
    guide = np.array([Flag.IN_GUIDE in flags for flags in truth.flags])
    along_mm = films.along_mm(films.ivus_times_s)
    assert np.array_equal(guide, along_mm < 0)
    assert np.allclose(truth.columns["position_mm"], films.position_mm())
    assert np.allclose(truth.columns["time_s"], films.ivus_times_s, atol=1e-3)
    assert guide.any()
    assert not guide.all()


def test_a_filmed_run_is_written_with_its_films(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from boreline_phantoms import filmed

    whole = filmed.xray_scene

    def short(level: str, seed: int = 1, *, seconds: float = 30.0) -> object:
        from dataclasses import replace

        scene = whole(level, seed, seconds=seconds)
        return replace(scene, fluoro=replace(scene.fluoro, n_frames=3), cine=replace(scene.cine, n_frames=20))

    monkeypatch.setattr(filmed, "xray_scene", short)
    assert run("xray-easy", "--out", str(tmp_path / "run"), "--frames", "5", "--size", "96") == 0
    headers = [
        pydicom.dcmread(tmp_path / "run" / f"{name}.dcm", stop_before_pixels=True) for name in ("run", "fluoro", "cine")
    ]
    assert len({ds.StudyInstanceUID for ds in headers}) == 1
    assert len({ds.SynchronizationFrameOfReferenceUID for ds in headers}) == 1
    assert len({ds.SOPInstanceUID for ds in headers}) == 3
    path = pd.read_parquet(tmp_path / "run" / "truth" / "path.parquet")
    frames = pd.read_csv(tmp_path / "run" / "truth" / "frames.csv")
    assert np.allclose(path["arc_mm"], frames["position_mm"], atol=1e-4)
