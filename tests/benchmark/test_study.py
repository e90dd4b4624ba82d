"""A blinded reading study from result folders to the tables of intra- and inter-reader agreement."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from boreline.benchmark.study import Reading, collect_study, prepare_adjudication, prepare_study
from boreline.correction import LogWriter, log_path
from boreline.correction.edits import Accept, NotMeasurable, Stroke
from boreline.errors import InputRefused
from boreline.model import Structure, Vessel
from boreline.results import ResultFolder
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene

N_RUNS = 3


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs that say which vessel they are; a reader has edited one of them before."""
    root = tmp_path_factory.mktemp("study")
    for seed, diameter_mm in ((1, 2.5), (2, 3.0), (3, 3.5)):
        write_scene(circle(diameter_mm).with_(seed=seed, frames=4), root / f"scene{seed}")
        analyse(
            root / f"scene{seed}" / "run.dcm", root / "results" / f"patient{seed}", AnalyseOptions(vessel=Vessel.LAD)
        )
    read(ResultFolder.open(root / "results" / "patient1"), "zoe", wider=1.3)
    return root / "results"


def read(folder: ResultFolder, reader: str, *, wider: float = 1.0) -> None:
    """Draw the lumen of the first frame anew, `wider` in radius, and accept two frames."""
    with_log = LogWriter(log_path(folder.path, reader), reader, folder.record["source"]["sop_instance_uid"])
    if wider != 1.0:
        lumen = folder.contours(Structure.LUMEN).polygon(0)
        middle = lumen.mean(axis=0)
        drawn = middle + wider * (np.vstack([lumen, lumen[:1]]) - middle)
        points = tuple((float(x), float(y)) for x, y in drawn)
        with_log.append(Stroke(frame=1, structure=Structure.LUMEN, points_px=points, closed=True))
    with_log.append(Accept(first=1, last=2))
    with_log.close()


@pytest.fixture
def study(results: Path, tmp_path: Path) -> tuple[Path, tuple[Reading, ...]]:
    out = tmp_path / "study"
    return out, prepare_study(results, out, ["ann", "ben"], repeated_share=0.34, seed=3)


def test_every_reader_gets_every_run_and_one_of_them_twice(study: tuple[Path, tuple[Reading, ...]]) -> None:
    out, readings = study
    for reader in ("ann", "ben"):
        own = [reading for reading in readings if reading.reader == reader]
        assert sorted(r.run for r in own if r.round == 1) == ["run 1", "run 2", "run 3"]
        (again,) = [r for r in own if r.round == 2]
        runs = [r.run for r in own]
        assert [r.name for r in own] == ["reading-001", "reading-002", "reading-003", "reading-004"]
        assert runs.index(again.run) < own.index(again) - 1  # never at once
    assert (out / "key.json").stat().st_mode & 0o077 == 0


def test_orders_follow_from_the_seed_and_differ_between_readers(results: Path, tmp_path: Path) -> None:
    def orders(name: str, seed: int) -> list[tuple[str, int]]:
        made = prepare_study(results, tmp_path / name, ["ann", "ben", "cas"], repeated_share=1, seed=seed)
        return [(reading.run, reading.round) for reading in made]

    assert orders("a", 1) == orders("b", 1)
    assert orders("c", 2) != orders("a2", 1)
    made = orders("d", 1)
    assert len({tuple(made[i : i + 6]) for i in range(0, 18, 6)}) > 1


def test_copies_tell_neither_vessel_nor_name_nor_earlier_edits(
    results: Path, study: tuple[Path, tuple[Reading, ...]]
) -> None:
    out, readings = study
    for reading in readings:
        folder = out / reading.reader / reading.name
        record = (folder / "run.json").read_text()
        assert "lad" not in json.loads(record).values()
        assert "patient" not in record
        assert "zoe" not in record
        assert not (folder / "report.html").exists()
        assert not (folder / "edits").exists()
        frames = ResultFolder.open(folder).frames()
        assert not frames["reviewed"].fillna(value=False).any()
    edited = next(r for r in readings if r.run == run_of(out, results / "patient1"))
    automatic = pd.read_parquet(results / "patient1" / "automatic" / "contours.parquet")
    shown = pd.read_parquet(out / edited.reader / edited.name / "contours.parquet")
    np.testing.assert_allclose(shown[["x_px", "y_px"]], automatic[["x_px", "y_px"]], atol=1e-3)


def run_of(study: Path, source: Path) -> str:
    sources = json.loads((study / "key.json").read_text())["sources"]
    return next(run for run, path in sources.items() if Path(path) == source.resolve())


def test_known_differences_between_readings_come_back(study: tuple[Path, tuple[Reading, ...]]) -> None:
    """Ann accepts what she sees and draws a frame of her repeat wider; Ben draws the first frame of each run wider."""
    out, readings = study
    for reading in readings:
        folder = ResultFolder.open(out / reading.reader / reading.name)
        wider = 1.2 if reading.reader == "ben" else 1.1 if reading.round == 2 else 1.0
        read(folder, reading.reader, wider=wider)
    found = collect_study(out)
    assert found.unread == ()
    table = found.agreement.set_index(["kind", "readers", "structure", "level", "quantity"])["value"]
    pairs = pd.read_csv(out / "pairs.csv")
    lumen = pairs[pairs["structure"] == "lumen"]
    inter = lumen[lumen["kind"] == "inter"]
    assert len(inter) == 2 * N_RUNS  # only reviewed frames
    ratio = inter[inter["frame"] == 1]["second_mm2"] / inter[inter["frame"] == 1]["first_mm2"]
    np.testing.assert_allclose(ratio, 1.2**2, rtol=0.01)
    expected = float((inter["first_mm2"] - inter["second_mm2"]).mean())
    assert table["inter", "ann - ben", "lumen", "frame", "bias_mm2"] == pytest.approx(expected)
    assert expected < -0.5
    once = lumen[(lumen["kind"] == "intra") & (lumen["readers"] == "ann") & (lumen["frame"] == 1)]
    assert (once["second_mm2"] / once["first_mm2"]).iloc[0] == pytest.approx(1.1**2, rel=0.01)

    disputed = found.disagreements
    drawn = disputed[(disputed["structure"] == "lumen") & (disputed["frame"] == 1)]
    assert sorted(drawn["run"]) == ["run 1", "run 2", "run 3"]
    np.testing.assert_allclose(drawn["jaccard"], 1 / 1.2**2, atol=0.02)
    assert len(disputed) == (pairs[pairs["kind"] == "inter"]["jaccard"] < 0.9).sum() < len(pairs)
    assert disputed["jaccard"].is_monotonic_increasing

    third = prepare_adjudication(out, "cas")
    assert sorted(reading.run for reading in third) == ["run 1", "run 2", "run 3"]
    read(ResultFolder.open(out / "cas" / third[0].name), "cas")
    again = collect_study(out)
    pd.testing.assert_frame_equal(again.agreement, found.agreement)  # an adjudication is no further reader
    assert again.unread == tuple(f"cas/{reading.name}" for reading in third[1:])
    with pytest.raises(InputRefused, match="reads in this study already"):
        prepare_adjudication(out, "ben")


def test_what_only_one_reader_could_measure_is_in_dispute(study: tuple[Path, tuple[Reading, ...]]) -> None:
    out, readings = study
    run = readings[0].run
    for reading in (r for r in readings if r.run == run and r.round == 1):
        folder = ResultFolder.open(out / reading.reader / reading.name)
        if reading.reader == "ben":
            uid = folder.record["source"]["sop_instance_uid"]
            log = LogWriter(log_path(folder.path, "ben"), "ben", uid)
            log.append(NotMeasurable(first=2, last=2))
            log.close()
            entry = (folder.path / "edits" / "ben.jsonl").read_text()
            assert "eem_not_measurable" in entry
        append_accept(folder, reading.reader)
    frames = [
        ResultFolder.open(out / r.reader / r.name).frames()["eem_area_mm2"].notna()
        for r in readings
        if r.run == run and r.round == 1
    ]
    alone = collect_study(out).disagreements.query("jaccard.isna()")
    assert alone["frame"].tolist() == ([2] if frames[0].iloc[1] else [])
    assert (alone["structure"] == "eem").all()


def append_accept(folder: ResultFolder, reader: str) -> None:
    log = LogWriter(log_path(folder.path, reader), reader, folder.record["source"]["sop_instance_uid"])
    log.append(Accept(first=1, last=4))
    log.close()


def test_a_study_that_nobody_read_is_refused(study: tuple[Path, tuple[Reading, ...]]) -> None:
    with pytest.raises(InputRefused, match="no frame was reviewed in two readings"):
        collect_study(study[0])
    with pytest.raises(InputRefused, match="has no list of disagreements"):
        prepare_adjudication(study[0], "cas")


@pytest.mark.parametrize("readers", [[], ["ann", "ann"], ["../ann"]])
def test_impossible_readers_are_refused(results: Path, tmp_path: Path, readers: list[str]) -> None:
    with pytest.raises(InputRefused, match="reader"):
        prepare_study(results, tmp_path / "out", readers)
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_no_study_is_refused(results: Path, tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="is no reading study"):
        collect_study(results)
    shutil.copytree(results, tmp_path / "twice" / "a")
    shutil.copytree(results, tmp_path / "twice" / "b")
    with pytest.raises(InputRefused, match="holds the same run"):
        prepare_study(tmp_path / "twice", tmp_path / "out", ["ann"])
