"""Beyond the analysis: plan, assessment and comparison of one job, and the command around it all."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import psutil
import pytest

from boreline.batch.child import perform
from boreline.batch.cohort import cohort_row, cohort_table
from boreline.batch.distribute import _client
from boreline.batch.job import Ending, Job
from boreline.results import ResultFolder
from boreline_cli.main import main
from boreline_phantoms.scenes import get
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="module")
def stented(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A run inside a stent, with a stated balloon."""
    root = tmp_path_factory.mktemp("stented")
    write_scene(get("stent").with_(frames=24), root / "run")
    file, out = str(root / "run" / "run.dcm"), str(root / "runs" / "run-a")
    job = Job("run-a", "k", file, out, {"threads": 1, "phase": "implanted", "vessel": "lad"}, {}, 600, 4000)
    job = Job(**{**{name: getattr(job, name) for name in job.__slots__}, "balloon_mm": 3.5})
    told = perform(job)
    assert told["ending"] is Ending.DONE, told
    return job


def test_a_stented_run_is_planned_and_assessed_and_its_report_says_so(stented: Job) -> None:
    folder = ResultFolder.open(Path(stented.out))
    row = cohort_row("run-a", folder)
    assessment = folder.read_json("assessment.json")
    assert assessment is not None
    assert folder.read_json("plan.json") is not None
    assert row["msa_read_mm2"] == assessment["msa_read_mm2"] > 0
    verdicts = ("met", "not_met", "too_close_to_call", "not_assessable")
    counts = [row[f"rules_{verdict}"] for verdict in verdicts]
    assert sum(int(str(count)) for count in counts) == len(assessment["rules"])
    assert row["lesion_mla_read_mm2"] is not None
    report = folder.path / "report.html"
    assert report.stat().st_mtime_ns > (folder.path / "assessment.json").stat().st_mtime_ns
    record = folder.record
    assert record["batch"]["key"] == "k"
    assert (record["vessel"], record["phase"]) == ("lad", "implanted")
    typed = cohort_table([row])
    assert typed["msa_read_mm2"].dtype == "float64"


def test_volumes_of_the_row_are_those_of_the_table(stented: Job) -> None:
    """By hand: each row of the grid stands for its spacing, the end rows for a whole one."""
    folder = ResultFolder.open(Path(stented.out))
    profile, row = folder.profile(), cohort_row("run-a", folder)
    assert profile is not None
    lumen, eem = profile["lumen_area_mm2"], profile["eem_area_mm2"]
    assert lumen.notna().all()
    assert row["lumen_volume_mm3"] == pytest.approx(0.1 * float(lumen.sum()), rel=1e-6)
    known = eem.notna()
    if known.all():
        assert row["atheroma_volume_mm3"] == pytest.approx(0.1 * float((eem - lumen).sum()), rel=1e-6)
        assert row["atheroma_volume_pct"] == pytest.approx(float(100 * (eem - lumen).sum() / eem.sum()), rel=1e-6)
    assert row["mla_mm2"] == pytest.approx(float(lumen.min()))


def test_a_comparison_that_cannot_be_made_is_a_note_and_the_assessment_stays(stented: Job, tmp_path: Path) -> None:
    shutil.copytree(stented.out, tmp_path / "run-a")
    again = Job(
        **{
            **{name: getattr(stented, name) for name in stented.__slots__},
            "out": str(tmp_path / "run-a"),
            "before": str(tmp_path / "nowhere"),
        }
    )
    told = perform(again)
    assert told["ending"] is Ending.DONE
    assert [note.split(":")[0] for note in told["notes"]] == ["comparison"]
    assert (tmp_path / "run-a" / "assessment.json").is_file()


def test_local_workers_listen_on_this_machine_only() -> None:
    with _client(2, None):
        listening = [c.laddr.ip for c in psutil.Process().net_connections("inet") if c.status == psutil.CONN_LISTEN]
    assert set(listening) <= {"127.0.0.1", "::1"}


def command(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(arg) for arg in args])
    captured = capsys.readouterr()
    return int(ended.value.code or 0), captured.out, captured.err


def test_the_exit_status_says_whether_all_some_or_nothing_was_done(
    archive: Path, done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(done, tmp_path / "out")
    status, out, _ = command(capsys, "batch", archive, "--out", tmp_path / "out", "--json")
    assert status == 1
    assert json.loads(out)["done"] == 3
    assert json.loads(out)["failed"] == 2
    status, out, _ = command(capsys, "batch", archive, "--out", tmp_path / "out", "--pattern", "site1/*")
    assert status == 0
    assert "1 runs done (1 from before), 0 failed" in out
    status, _, err = command(capsys, "batch", archive / "nowhere", "--out", tmp_path / "other")
    assert (status, len(err.splitlines())) == (2, 1)
    assert not (tmp_path / "other").exists()
