"""What an operator did between two batches is kept, and what follows from it is done again."""

from __future__ import annotations

import json
import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import pytest

from boreline.batch import work as working
from boreline.batch.archive import read_archive
from boreline.batch.child import perform
from boreline.batch.job import Ending, Job, Outcome
from boreline.batch.ledger import Ledger
from boreline.batch.run import BatchOptions, _plan
from boreline.batch.study import Study, read_study
from boreline.benchmark.scale import write_scale
from boreline.correction import LogWriter, log_path
from boreline.correction.edits import Accept
from boreline.errors import InputRefused
from boreline.reading.scale import ScaleEquation
from boreline.results import ResultFolder
from boreline.workflow.plan import plan_folder
from boreline_phantoms.scenes import get
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A vessel with a narrowing, through every stage once."""
    root = tmp_path_factory.mktemp("chosen")
    write_scene(get("vessel").with_(frames=40, size=192), root / "run")
    file, out = str(root / "run" / "run.dcm"), str(root / "out" / "runs" / "run-a")
    job = Job("run-a", "k", file, out, {"threads": 1, "vessel": "lad"}, {}, 600, 4000)
    told = perform(job)
    assert told["ending"] is Ending.DONE, told
    return job


@pytest.fixture
def job(first: Job, tmp_path: Path) -> Job:
    """The same, in a folder of its own."""
    out = tmp_path / "out" / "runs" / "run-a"
    shutil.copytree(first.out, out)
    return replace(first, out=str(out))


def accept(folder: Path, frame: int) -> None:
    uid = ResultFolder.open(folder).record["source"]["sop_instance_uid"]
    writer = LogWriter(log_path(folder, "ann"), "ann", uid)
    writer.append(Accept(first=frame, last=frame))
    writer.close()


def settled(job: Job) -> bool:
    ledger = Ledger(Path(job.out).parents[1])
    ledger.note(Outcome(job.name, job.key, Ending.DONE))
    return ledger.settled(job)


def place_by_hand(folder: Path) -> None:
    """The operator's landing sites, 0.2 mm inside both ends of what was recorded."""
    position = ResultFolder.open(folder).frames()["position_mm"]
    plan_folder(folder, distal_mm=float(position.min()) + 0.2, proximal_mm=float(position.max()) - 0.2)


def landings(folder: Path) -> dict[str, tuple[float, str]]:
    plan = json.loads((folder / "plan.json").read_text())
    return {side: (site["position_mm"], site["chosen_by"]) for side, site in plan["landing_sites"].items()}


def test_a_plan_made_by_hand_is_left_alone(job: Job) -> None:
    place_by_hand(Path(job.out))
    plan = (Path(job.out) / "plan.json").read_bytes()
    assert settled(job)
    assert working.work(job).reused
    assert (Path(job.out) / "plan.json").read_bytes() == plan


def test_landing_sites_chosen_by_command_outlive_edits_and_another_analysis(job: Job) -> None:
    out = Path(job.out)
    place_by_hand(out)
    chosen = landings(out)
    length_mm = ResultFolder.open(out).frames()["position_mm"].max()
    assert {word for _, word in chosen.values()} == {"operator"}
    accept(out, 3)
    assert not settled(job)
    told = perform(job)
    assert told["ending"] is Ending.DONE
    assert "landing site that an operator chose" in told["notes"][0]
    assert landings(out) == chosen
    assert ResultFolder.open(out).frames()["reviewed"].tolist().count(True) == 1
    # another speed, other millimetres: the frames stay
    told = perform(replace(job, key="other", options={**job.options, "pullback_speed_mm_s": 3.0}))
    assert told["ending"] is Ending.DONE
    ratio = ResultFolder.open(out).frames()["position_mm"].max() / length_mm
    assert ratio > 1.4
    assert landings(out) == {side: (pytest.approx(ratio * mm, abs=0.1), "operator") for side, (mm, _) in chosen.items()}
    assert not (out.parent.parent / "choices").exists() or not list((out.parent.parent / "choices").iterdir())


def test_choices_survive_a_death_in_the_middle(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    """As after kill -9 once the folder was replaced: what was put aside comes back in the next batch."""
    out = Path(job.out)
    place_by_hand(out)
    chosen = landings(out)

    def dies(*_: object, **__: object) -> None:
        raise SystemExit(9)

    with monkeypatch.context() as patched:
        patched.setattr("boreline.workflow.plan.plan_folder", dies)
        with pytest.raises(SystemExit):
            perform(replace(job, key="other"))
    assert not (out / "plan.json").exists()
    assert perform(replace(job, key="other"))["ending"] is Ending.DONE
    assert landings(out) == chosen


def test_an_assessment_made_by_hand_is_kept_and_said_to_be_old(job: Job) -> None:
    out = Path(job.out)
    ResultFolder.open(out).write_json("assessment.json", {"caution": "", "msa_read_mm2": 5.0, "rules": []})
    assert settled(job)
    accept(out, 4)
    told = perform(job)
    assert told["ending"] is Ending.DONE
    assert any(note.startswith("assessment: an operator's own") for note in told["notes"])
    assert json.loads((out / "assessment.json").read_text())["msa_read_mm2"] == 5.0
    accept(out, 5)
    perform(job)
    assert json.loads((out / "assessment.json").read_text())["msa_read_mm2"] == 5.0, "a second time as well"


def test_an_edit_of_the_earlier_run_asks_for_a_new_comparison(job: Job, tmp_path: Path) -> None:
    before = tmp_path / "out" / "runs" / "run-b"
    shutil.copytree(job.out, before)
    after = replace(job, before=str(before))
    assert perform(after)["ending"] is Ending.DONE
    assert settled(after)
    accept(before, 2)
    assert not settled(after)
    assert perform(after)["ending"] is Ending.DONE
    assert settled(after)


def test_unchanged_files_are_not_read_and_touched_ones_change_nothing(
    first: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Contents are hashed by the worker; a batch over an archive it knows reads no file at all."""
    archive, out = tmp_path / "archive", tmp_path / "out"
    shutil.copytree(Path(first.file).parent, archive)
    ledger, found = Ledger(out), read_archive(archive)
    read: list[Path] = []
    hashed = working.fingerprint
    monkeypatch.setattr(working, "fingerprint", lambda path: (read.append(path), hashed(path))[1])
    monkeypatch.setattr(working, "run_job", lambda job: Outcome(job.name, job.key, Ending.FAILED, "analysis", "x"))

    def planned() -> Job:
        jobs, refused = _plan(found, Study(), BatchOptions(), ledger, "1")
        assert not refused
        return jobs[0]

    fresh = planned()
    assert (fresh.key, read) == ("", [])
    outcome = working.work(fresh)
    ledger.note(outcome)
    assert read == [Path(fresh.file)]
    assert (planned().key, len(read)) == (outcome.key, 1)
    os.utime(fresh.file, (time.time(), time.time()))
    touched = planned()
    assert touched.key == ""
    again = working.work(touched)
    assert (again.key, again.reused, len(read)) == (outcome.key, True, 2)
    with Path(fresh.file).open("ab") as file:
        file.write(b"\0\0")
    assert working.work(planned()).key != outcome.key


def test_a_study_brings_a_calibration_and_devices(first: Job, tmp_path: Path) -> None:
    write_scale(ScaleEquation("bench", 1.02, 0.003, 0.01, 0.0, 0.5, 30), tmp_path / "scale.toml")
    (tmp_path / "sizes.csv").write_text("diameter_mm,length_mm\n2.6,11\n3.4,11\n")
    (tmp_path / "study.toml").write_text('calibration_file = "scale.toml"\ndevices = "sizes.csv"\n')
    study = read_study(tmp_path / "study.toml")
    assert study.described()["devices"] == "sizes.csv"
    assert str(tmp_path) not in json.dumps(study.described())
    archive = tmp_path / "archive"
    shutil.copytree(Path(first.file).parent, archive)
    jobs, _ = _plan(read_archive(archive), study, BatchOptions(), Ledger(tmp_path / "out"), "1")
    keys = [working.keyed(jobs[0], working.fingerprints(jobs[0])).key]
    told = perform(replace(jobs[0], key=keys[0]))
    assert told["ending"] is Ending.DONE, told
    folder = ResultFolder.open(jobs[0].out)
    plain = ResultFolder.open(first.out)
    ratio = folder.record["calibration"]["mm_per_px_x"] / plain.record["calibration"]["mm_per_px_x"]
    assert ratio == pytest.approx(1.02, rel=1e-6)
    plan = folder.read_json("plan.json")
    assert plan is not None
    assert plan["device_list"] == "sizes.csv"
    assert {m["diameter_mm"] for m in plan["methods"] if m["diameter_mm"]} <= {2.6, 3.4}
    accept(folder.path, 3)  # with edits the folder is analysed anew, and the equation applied once, not twice
    assert perform(replace(jobs[0], key="other"))["ending"] is Ending.DONE
    assert ResultFolder.open(jobs[0].out).record["calibration"] == folder.record["calibration"]
    (tmp_path / "sizes.csv").write_text("diameter_mm,length_mm\n2.6,11\n3.4,12\n")
    keys.append(working.keyed(jobs[0], working.fingerprints(jobs[0])).key)
    assert keys[0] != keys[1], "another list is another plan"


@pytest.mark.parametrize("text", ['devices = "gone.csv"\n', 'calibration_file = "gone.toml"\n'])
def test_a_study_that_names_a_missing_file_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(InputRefused, match=r"gone\."):
        read_study(tmp_path / "study.toml")


def test_the_help_names_every_setting_and_column() -> None:
    """So that nobody has to read the code to write a study or a mapping."""
    from typer.testing import CliRunner

    from boreline.batch.archive import MAPPING_COLUMNS
    from boreline.batch.study import Limits
    from boreline_cli.main import build_app

    told = CliRunner().invoke(build_app(), ["batch", "--help"]).stdout
    for word in (*Study.model_fields, *Limits.model_fields, *MAPPING_COLUMNS):
        assert word in told, word
