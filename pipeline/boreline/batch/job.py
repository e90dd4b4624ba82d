"""One run of a batch, in a child process of its own with limits: whatever happens to it happens to it alone."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

import psutil

from boreline.batch.fingerprints import Fingerprint
from boreline.errors import InputRefused
from boreline.model import JsonValue
from boreline.results.transaction import tidy

_POLL_S = 0.1


@dataclass(frozen=True, slots=True)
class Job:
    """What a child process needs to know; plain values only, so that it travels to any worker.

    Attributes
    ----------
    name
        Pseudonymous, stable name of the run.
    key
        Hash of input, parameters and version: the same key means the same result; empty while a file's content is
        not known.
    file
        The DICOM file (or folder of single frames).
    out
        Result folder of this run.
    options
        Keyword arguments of `AnalyseOptions`.
    fluoro, cine, cine2
        X-ray runs to co-register with; None for none.
    before
        Result folder of the run before treatment; None for none.
    devices
        The study's device list for the plan.
    inputs
        Whatever else the result follows from, for the key.
    files
        The files that it follows from, by their part in it.
    fingerprints
        Of those files, as far as known.
    """

    name: str
    key: str
    file: str
    out: str
    options: dict[str, JsonValue]
    study: dict[str, JsonValue]
    time_limit_s: float
    memory_limit_mb: float
    fluoro: str | None = None
    cine: str | None = None
    cine2: str | None = None
    before: str | None = None
    balloon_mm: float | None = None
    devices: str | None = None
    inputs: dict[str, JsonValue] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    fingerprints: dict[str, Fingerprint] = field(default_factory=dict)


class Ending(StrEnum):
    """How a job ended; a lasting failure is not tried again until its key changes."""

    DONE = "done"
    FAILED = "failed"
    FAILED_FOR_NOW = "failed_for_now"


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one job ended, at which stage and why; `reused` when it ended so in an earlier batch already."""

    name: str
    key: str
    ending: Ending
    stage: str = ""
    reason: str = ""
    notes: tuple[str, ...] = field(default=())
    fingerprints: dict[str, Fingerprint] = field(default_factory=dict)
    reused: bool = False


def run_job(job: Job) -> Outcome:
    """Run one job in a child process; never raises for anything that happens inside the child.

    The child's standard input stays open as long as this process lives; a child whose input ends stops at once, so that
    no orphan goes on writing after this process was killed.
    """
    _tidy(Path(job.out))
    with tempfile.TemporaryFile("w+") as told, tempfile.TemporaryFile("w+", errors="replace") as complaints:
        child = subprocess.Popen(
            [sys.executable, "-m", "boreline.batch.child"],
            stdin=subprocess.PIPE,
            stdout=told,
            stderr=complaints,
            start_new_session=True,
            text=True,
        )
        assert child.stdin is not None
        with suppress(BrokenPipeError):  # it died at once: its exit status says how
            child.stdin.write(json.dumps(asdict(job)) + "\n")
            child.stdin.flush()
        stopped = _supervise(child, job)
        with suppress(BrokenPipeError):
            child.stdin.close()
        told.seek(0)
        complaints.seek(0)
        outcome = _outcome(job, child.returncode, told.read(), complaints.read(), stopped)
    if outcome.ending is not Ending.DONE:
        _tidy(Path(job.out))
    return outcome


def _outcome(job: Job, status: int, told: str, complaints: str, stopped: str) -> Outcome:
    if stopped:
        return Outcome(job.name, job.key, Ending.FAILED, "analysis", stopped)
    try:
        last: dict[str, Any] = json.loads(told.splitlines()[-1])
        return Outcome(job.name, job.key, Ending(last["ending"]), last["stage"], last["reason"], tuple(last["notes"]))
    except (IndexError, ValueError, TypeError, KeyError):
        return Outcome(job.name, job.key, Ending.FAILED, "analysis", _epitaph(status, complaints))


def _tidy(out: Path) -> None:
    with suppress(InputRefused):  # a place that cannot be written is the child's to explain
        tidy(out)


def _supervise(child: subprocess.Popen[str], job: Job) -> str:
    """Wait for the child; the reason when it had to be stopped, else an empty string."""
    started = time.monotonic()
    process = psutil.Process(child.pid)
    try:
        while True:
            with suppress(subprocess.TimeoutExpired):
                child.wait(_POLL_S)
            if child.returncode is not None:
                return ""
            if time.monotonic() - started > job.time_limit_s:
                return f"stopped: ran longer than {job.time_limit_s:g} s"
            if _resident_mb(process) > job.memory_limit_mb:
                return f"stopped: needed more than {job.memory_limit_mb:g} MB of memory"
    finally:
        if child.poll() is None:
            _kill(process)
            child.wait()


def _resident_mb(process: psutil.Process) -> float:
    try:
        return float(process.memory_info().rss) / 1e6
    except psutil.Error:
        return 0.0


def _kill(process: psutil.Process) -> None:
    try:
        for member in [*process.children(recursive=True), process]:
            member.kill()
    except psutil.Error:
        pass


def _epitaph(status: int, stderr: str) -> str:
    if status < 0:
        return f"the process was killed by {signal.Signals(-status).name}"
    last = stderr.strip().splitlines()[-1:] or ["no message"]
    return f"the process ended with status {status}: {last[0][:200]}"


def out_folder(out: Path, name: str) -> Path:
    """Where the result folder of the run called `name` lies."""
    return out / "runs" / name
