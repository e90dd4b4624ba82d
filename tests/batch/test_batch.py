"""An archive with faults planted in it: every healthy run done, every faulty one explained, nothing lost."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from boreline.batch.archive import read_archive, run_name
from boreline.batch.cohort import cohort_row
from boreline.batch.job import Ending, Job, run_job
from boreline.batch.ledger import Ledger
from boreline.batch.page import _kind
from boreline.batch.run import BatchOptions, run_batch
from boreline.batch.study import Study, read_study
from boreline.errors import InputRefused
from boreline.profile.single_frame import smallest_single_frame
from boreline.results import ResultFolder


def test_healthy_runs_are_ordinary_result_folders(done: Path) -> None:
    cohort = pd.read_csv(done / "cohort.csv")
    assert len(cohort) == 3
    for name in cohort["run"]:
        assert (done / "runs" / name / "frames.csv").is_file()
        assert (done / "runs" / name / "report.html").is_file()
    assert sorted(cohort["smallest_lumen_mm2"].round(1)) == [4.9, 9.6, 12.6]
    typed = pd.read_parquet(done / "cohort.parquet")
    assert list(typed.columns) == list(cohort.columns)
    pd.testing.assert_series_equal(typed["smallest_lumen_mm2"], cohort["smallest_lumen_mm2"])
    assert typed["length_mm"].dtype == "float64"


def test_a_doubtful_frame_is_nobodys_smallest_lumen(done: Path, tmp_path: Path) -> None:
    name = pd.read_csv(done / "cohort.csv")["run"].iloc[0]
    shutil.copytree(done / "runs" / name, tmp_path / name)
    cells = pd.read_csv(tmp_path / name / "frames.csv", dtype="string")
    cells.loc[3, ["lumen_area_mm2", "flags"]] = ["0.2", "lumen_doubtful"]
    cells.to_csv(tmp_path / name / "frames.csv", index=False)
    folder = ResultFolder.open(tmp_path / name)
    row, report = cohort_row(name, folder), smallest_single_frame(folder.frames())
    assert report is not None
    assert row["smallest_lumen_mm2"] == report.area_mm2 > 4.0
    assert row["smallest_lumen_frame"] == report.frame + 1 != 4


def test_faulty_runs_are_explained_and_other_files_listed(done: Path) -> None:
    failures = pd.read_csv(done / "failures.csv").set_index("file")["reason"]
    assert "truncated" in failures["cut.dcm"]
    assert "same SOP Instance UID" in failures["site2/same.dcm"]
    skipped = pd.read_csv(done / "skipped.csv").set_index("file")["reason"]
    assert "not a DICOM file" in skipped["notes.txt"]


def test_the_page_names_no_file_of_the_archive(archive: Path, done: Path) -> None:
    page = (done / "cohort.html").read_text()
    for path in archive.rglob("*"):
        relative = path.relative_to(archive)
        assert relative.parts[0] not in page, relative
        assert path.name == "run.dcm" or path.name not in page
    assert "holds the same SOP Instance UID as another file" in page


def test_an_unforeseen_fault_is_counted_without_its_words() -> None:
    assert _kind("unexpected KeyError: '/archive/name/run.dcm'") == "unexpected KeyError"
    assert _kind("PixelData: is truncated; use --whole-frames-only") == "is truncated"


def test_a_second_batch_redoes_nothing_and_writes_the_same_tables(archive: Path, done: Path) -> None:
    before = {name: (done / name).read_bytes() for name in ("cohort.csv", "failures.csv", "skipped.csv")}
    stamps = {path: path.stat().st_mtime_ns for path in done.glob("runs/*/frames.csv")}
    result = run_batch(archive, done, Study(), BatchOptions(workers=1))
    assert result.reused == 3
    assert {path: path.stat().st_mtime_ns for path in done.glob("runs/*/frames.csv")} == stamps
    assert {name: (done / name).read_bytes() for name in before} == before


def test_a_run_whose_ending_was_lost_is_done_again(archive: Path, done: Path) -> None:
    """As after a kill between the analysis and its note."""
    cohort = (done / "cohort.csv").read_bytes()
    name = pd.read_csv(done / "cohort.csv")["run"][0]
    (done / "endings" / f"{name}.json").unlink()
    result = run_batch(archive, done, Study(), BatchOptions(workers=1))
    assert result.reused == 2
    assert (done / "cohort.csv").read_bytes() == cohort


@pytest.fixture
def job(archive: Path, tmp_path: Path) -> Job:
    return Job(
        name="run-x",
        key="k",
        file=str(archive / "site1" / "run.dcm"),
        out=str(tmp_path / "out"),
        options={"threads": 1},
        study={},
        time_limit_s=300,
        memory_limit_mb=4000,
    )


def test_a_run_that_takes_too_long_is_stopped_alone(job: Job) -> None:
    outcome = run_job(replace(job, time_limit_s=0.2))
    assert outcome.ending is Ending.FAILED
    assert "longer than 0.2 s" in outcome.reason
    assert not Path(job.out).exists()


def test_a_run_that_needs_too_much_memory_is_stopped_alone(job: Job) -> None:
    outcome = run_job(replace(job, memory_limit_mb=20))
    assert "more than 20 MB" in outcome.reason


def test_an_unwritable_folder_is_a_passing_fault(job: Job, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    outcome = run_job(replace(job, out=str(tmp_path / "file" / "out")))
    assert outcome.ending is not Ending.DONE
    assert outcome.reason


def test_a_passing_fault_is_tried_again_and_a_lasting_one_is_not(tmp_path: Path, job: Job) -> None:
    from boreline.batch.job import Outcome

    ledger = Ledger(tmp_path)
    ledger.note(Outcome(job.name, job.key, Ending.FAILED_FOR_NOW, "analysis", "disk full"))
    assert not ledger.settled(job)
    ledger.note(Outcome(job.name, job.key, Ending.FAILED, "reading", "truncated"))
    assert ledger.settled(job)
    assert not ledger.settled(replace(job, key="other parameters"))


def test_names_are_pseudonymous_stable_and_keyed() -> None:
    assert run_name("1.2.3", "") == run_name("1.2.3", "")
    assert run_name("1.2.3", "a") != run_name("1.2.3", "b")
    assert "1.2.3" not in run_name("1.2.3", "")


def test_a_mapping_that_names_a_missing_file_is_refused(archive: Path, tmp_path: Path) -> None:
    mapping = tmp_path / "map.csv"
    mapping.write_text("file,vessel\nnowhere.dcm,lad\n")
    with pytest.raises(InputRefused, match=r"row 2: the file 'nowhere\.dcm' is missing"):
        read_archive(archive, mapping=mapping)


def test_an_archive_without_pullbacks_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    with pytest.raises(InputRefused, match="no pullback"):
        read_archive(tmp_path)


@pytest.mark.parametrize("text", ["speed = 3", "mm_per_px = [0.02, -1]", "limits = {time_s = 0}", "= 1"])
def test_a_study_with_a_wrong_key_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "study.toml"
    path.write_text(text)
    with pytest.raises(InputRefused, match=r"study\.toml"):
        read_study(path)
