"""`boreline inspect` on runs, folders and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from dicom_builders import EXPLICIT, region, speckle, write

from boreline_cli.commands.inspect import print_checks
from boreline_cli.main import main


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stopped:
        main(["inspect", *map(str, arguments)])
    out, err = capsys.readouterr()
    assert isinstance(stopped.value.code, int)
    return stopped.value.code, out, err


def test_a_run_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(4))
    status, out, err = run_command(capsys, path, "--json")
    report = json.loads(out)
    assert (status, err) == (0, "")
    assert report["calibration"]["mm_per_px_x"] == pytest.approx(0.1)
    assert report["cross_section"]["width_mm"] == pytest.approx(6.4)
    # 0.5 mm/s over 3 intervals of 33.333 ms.
    assert report["pullback"]["length_mm"] == pytest.approx(0.05)
    assert report["pullback"]["first_moving_frame"] == 1
    assert report["timing"]["frame_rate_hz"] == pytest.approx(30.0003)
    assert "SECRET" not in out
    assert "2025" not in out


def test_a_run_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(4), DepthOfScanField=99)
    status, out, _ = run_command(capsys, path)
    assert status == 0
    for words in ("an ultrasound pullback", "MOTOR_PULLBACK", "33.333 ms", "warnings:", "DepthOfScanField"):
        assert words in out


def test_overrides_are_passed_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(4), SequenceOfUltrasoundRegions=None, NumberOfFrames=6)
    status, out, err = run_command(capsys, path, "--json")
    assert (status, out) == (2, "")
    assert "--whole-frames-only" in err
    status, out, err = run_command(capsys, path, "--whole-frames-only", "--json")
    assert (status, out) == (2, "")
    assert "--mm-per-pixel" in err
    status, out, _ = run_command(capsys, path, "--whole-frames-only", "--mm-per-pixel", "0.02,0.03", "--json")
    assert status == 0
    assert json.loads(out)["calibration"]["origin"] == "operator"


def test_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(tmp_path / "a.dcm", speckle(4))
    write(tmp_path / "b.dcm", speckle(4), SequenceOfUltrasoundRegions=[region(PhysicalUnitsXDirection=4)])
    (tmp_path / "note.txt").write_text("words")
    status, out, _ = run_command(capsys, tmp_path)
    assert status == 0
    assert "2 pullbacks, 0 X-ray runs" in out
    assert f"boreline analyse {tmp_path}/a.dcm --out results/a" in out.replace("\n", "")
    assert "is not a DICOM file" in out
    status, out, _ = run_command(capsys, tmp_path, "--json")
    assert [run["defect"] is None for run in json.loads(out)["pullbacks"]] == [True, False]


def test_a_refusal_is_one_line_and_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "text").write_text("words")
    status, out, err = run_command(capsys, tmp_path / "text")
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith("boreline: ")


def test_an_xray_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(
        tmp_path / "xa.dcm",
        speckle(3),
        EXPLICIT,
        SOPClassUID="1.2.840.10008.5.1.4.1.1.12.1",
        RadiationSetting="SC",
        SequenceOfUltrasoundRegions=None,
    )
    status, out, _ = run_command(capsys, path)
    assert status == 0
    assert "an X-ray run" in out
    assert "fluoroscopy" in out


def test_checks_are_drawn(capsys: pytest.CaptureFixture[str]) -> None:
    print_checks([{"condition": "frame rate", "measured": "15 /s", "wanted": ">= 15 /s", "verdict": "met"}])
    assert "met" in capsys.readouterr().out
