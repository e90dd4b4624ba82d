"""What happens to a batch: kill -9, a killed run, a full disk, edits in between, a cluster. Nothing is lost."""

from __future__ import annotations

import errno
import json
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Thread
from typing import Any

import pandas as pd
import psutil
import pytest

from boreline.batch.job import Ending, Job, Outcome, run_job
from boreline.batch.run import BatchOptions, BatchResult, run_batch
from boreline.batch.study import Study
from boreline.correction import LogWriter, log_path
from boreline.correction.edits import Accept
from boreline.errors import InputRefused
from boreline.results import ResultFolder
from boreline.results.transaction import tidy

CHILD = "boreline.batch.child"


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in ("cohort.csv", "failures.csv", "skipped.csv")}


def children(process: psutil.Process) -> list[psutil.Process]:
    """The runs that a process is working on."""
    found = []
    for child in process.children(recursive=True):
        try:
            if CHILD in child.cmdline():
                found.append(child)
        except psutil.Error:
            continue
    return found


def wait_for(condition: Callable[[], Any], seconds: float = 60) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError("waited in vain")


@contextmanager
def started(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def test_a_batch_that_is_killed_and_run_again_gives_the_same_tables(archive: Path, done: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-c", "from boreline_cli.main import main; main()"]
    with started(*command, "batch", str(archive), "--out", str(out)) as batch:
        wait_for(lambda: any('"done"' in path.read_text() for path in out.glob("endings/*.json")))
        at_work = wait_for(lambda: children(psutil.Process(batch.pid)))
        batch.send_signal(signal.SIGKILL)
        batch.wait()
    assert not (out / "cohort.csv").exists()
    _, alive = psutil.wait_procs(at_work, timeout=10)
    assert not alive, "a run went on although its batch was killed"
    result = run_batch(archive, out, Study(), BatchOptions(workers=2))
    assert 1 <= result.reused < 3
    assert tables(out) == tables(done)
    assert sorted(path.name for path in (out / "runs").iterdir()) == sorted(p.name for p in (done / "runs").iterdir())


def test_a_killed_run_is_explained_and_the_rest_goes_on(archive: Path, tmp_path: Path) -> None:
    results: list[BatchResult] = []
    options = BatchOptions(pattern="site[13]/*")

    def work() -> None:
        results.append(run_batch(archive, tmp_path / "out", Study(), options))

    batch = Thread(target=work)
    batch.start()
    wait_for(lambda: children(psutil.Process()))[0].kill()
    batch.join()
    assert (results[0].done, results[0].failed) == (1, 1)
    failures = pd.read_csv(tmp_path / "out" / "failures.csv")
    assert failures["reason"].tolist() == ["the process was killed by SIGKILL"]
    work()
    assert results[1] == BatchResult(done=1, failed=1, skipped=results[0].skipped, reused=2)  # not tried again blindly


@pytest.fixture
def job(archive: Path, tmp_path: Path) -> Job:
    return Job(
        name="run-x",
        key="k",
        file=str(archive / "site1" / "run.dcm"),
        out=str(tmp_path / "runs" / "run-x"),
        options={"threads": 1},
        study={},
        time_limit_s=300,
        memory_limit_mb=4000,
    )


def test_a_full_disk_is_explained_and_leaves_nothing(job: Job) -> None:
    """A limit on the size of files stands for the full disk: writing fails half-way either way."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        outcome = run_job(job)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert outcome.ending is Ending.FAILED_FOR_NOW
    assert "File too large" in outcome.reason
    assert list(Path(job.out).parent.iterdir()) == []


def test_a_disk_too_full_for_the_notes_ends_the_batch_with_one_line(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("boreline.batch.ledger.Ledger.note", full)
    with pytest.raises(InputRefused, match=r"No space left on device.*run the same command again"):
        run_batch(archive, tmp_path / "out", Study(), BatchOptions())


def test_leftovers_of_a_killed_process_go_and_a_folder_moved_aside_comes_back(tmp_path: Path) -> None:
    out = tmp_path / "run-x"
    for name in (".run-x.7.partial", ".run-x.7.reanalysed", ".run-x.7.old", ".run-xy.7.partial"):
        (tmp_path / name).mkdir()
    (tmp_path / ".run-x.7.old" / "run.json").write_text("{}")
    tidy(out)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".run-xy.7.partial", "run-x"]
    assert (out / "run.json").exists()


def test_edits_survive_a_change_of_parameters_and_reach_the_tables(
    archive: Path, done: Path, tmp_path: Path, job: Job
) -> None:
    name = str(pd.read_csv(done / "cohort.csv").sort_values("smallest_lumen_mm2")["run"].iloc[0])
    shutil.copytree(done / "runs" / name, job.out)
    accept(ResultFolder.open(Path(job.out)), first=1, last=2)
    outcome = run_job(replace(job, options={**job.options, "pullback_speed_mm_s": 2.0}))
    assert outcome == Outcome(job.name, job.key, Ending.DONE, notes=outcome.notes)
    folder = ResultFolder.open(Path(job.out))
    assert folder.frames()["reviewed"].tolist() == [True, True, False, False]
    assert folder.record["parameters"]["pullback_speed_mm_s"] == 2.0

    accept(folder, first=4, last=4)
    automatic = (folder.path / "automatic" / "contours.parquet").stat().st_mtime_ns
    assert run_job(job).ending is Ending.DONE
    assert folder.frames()["reviewed"].tolist() == [True, True, False, True]
    assert (folder.path / "automatic" / "contours.parquet").stat().st_mtime_ns == automatic  # not segmented again


def accept(folder: ResultFolder, *, first: int, last: int) -> None:
    writer = LogWriter(log_path(folder.path, "ann"), "ann", folder.record["source"]["sop_instance_uid"])
    writer.append(Accept(first=first, last=last))
    writer.close()


def test_workers_of_a_real_scheduler_give_the_same_tables(archive: Path, done: Path, tmp_path: Path) -> None:
    where = tmp_path / "scheduler.json"
    dask = (sys.executable, "-m", "distributed.cli")
    worker = (f"{dask[2]}.dask_worker", "--scheduler-file", str(where), "--nthreads", "1", "--no-nanny")
    quiet = ("--no-dashboard",)
    with started(
        *dask[:2],
        f"{dask[2]}.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        *quiet,
        "--scheduler-file",
        str(where),
    ):
        wait_for(where.exists)
        with (
            started(*dask[:2], *worker, *quiet, "--memory-limit", "0") as one,
            started(*dask[:2], *worker, *quiet, "--memory-limit", "0") as two,
        ):
            address = json.loads(where.read_text())["address"]
            busy: set[int] = set()

            def look(*_: object) -> None:
                busy.update(w.pid for w in (one, two) if w.poll() is None and children(psutil.Process(w.pid)))

            wait_for(lambda: workers_at(address) == 2)
            watch = Watch(look)
            result = run_batch(archive, tmp_path / "out", Study(), BatchOptions(scheduler=address))
            watch.stop()
            assert busy == {one.pid, two.pid}
    assert (result.done, result.failed) == (3, 2)
    assert tables(tmp_path / "out") == tables(done)


def workers_at(address: str) -> int:
    from distributed import Client

    with Client(address) as client:
        return len(client.scheduler_info(n_workers=-1)["workers"])


class Watch(Thread):
    """Calls something every tenth of a second until it is stopped."""

    def __init__(self, look: Callable[[], None]) -> None:
        super().__init__(daemon=True)
        self._look, self._running = look, True
        self.start()

    def run(self) -> None:
        while self._running:
            self._look()
            time.sleep(0.1)

    def stop(self) -> None:
        self._running = False
        self.join()
