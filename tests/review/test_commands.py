"""`boreline review --apply` and `--compare` as commands."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from boreline.correction import LogWriter, log_path
from boreline.correction.edits import Points
from boreline.model import Structure
from boreline.results import ResultFolder
from boreline_cli.main import main


def run(*args: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        main(args)
    return int(stopped.value.code or 0)


@pytest.fixture
def log(folder: Callable[[str], Path], tmp_path: Path) -> tuple[Path, Path]:
    path = folder("mm")
    uid = ResultFolder.open(path).record["source"]["sop_instance_uid"]
    writer = LogWriter(tmp_path / "anna.jsonl", "anna", uid)
    writer.append(Points(frame=20, structure=Structure.LUMEN, points_px=((100.0, 63.5),)))
    writer.close()
    return path, tmp_path / "anna.jsonl"


def test_apply_reports_what_changed(log: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    folder, edits = log
    assert run("review", str(folder), "--apply", str(edits), "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["reader"] == "anna"
    assert report["edited"]["lumen"] == [20]
    assert 19 in report["influenced"]["lumen"]
    assert ResultFolder.open(folder).record["current_reader"] == "anna"
    assert log_path(folder, "anna").read_bytes() == edits.read_bytes()
    assert run("review", str(folder), "--apply", str(edits), "--reader", "bo") == 0
    assert "lumen: edited in frames 20; followed in frames" in capsys.readouterr().out
    assert run("review", str(folder), "--compare") == 0
    assert "anna and bo, lumen, 1 frames: median Jaccard 1.000" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--apply", "missing.jsonl"], "missing.jsonl: is no file; name the NAME.jsonl that a review wrote"),
        (["--reader", "../evil", "--no-browser"], "is no reader's name"),
        (["--apply", "x", "--reader", "a/b"], "is no file"),
    ],
)
def test_refusals_are_one_line(
    log: tuple[Path, Path], args: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("review", str(log[0]), *args) == 2
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1
