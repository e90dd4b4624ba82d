"""The child process of one job: reads a `Job` as JSON on stdin, prints its `Outcome` as one JSON line."""

from __future__ import annotations

import errno
import json
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

from boreline.batch.job import Ending, Job
from boreline.errors import BorelineError
from boreline.model import Phase, Vessel
from boreline.results import ResultFolder
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline.workflow.coregister import coregister

_PASSING = {errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EDQUOT, errno.EIO, errno.EMFILE, errno.ENFILE}
"""Faults of the machine, not of the run: the next batch tries again."""


def main() -> None:
    """Do one job and tell how it ended."""
    job = Job(**json.load(sys.stdin))
    with redirect_stdout(sys.stderr):
        told = perform(job)
    sys.stdout.write(json.dumps(told) + "\n")


def perform(job: Job) -> dict[str, Any]:
    """Analyse, co-register, plan and assess as far as the run allows."""
    folder: list[ResultFolder] = []
    failure = _attempt("analysis", lambda: folder.append(_analyse(job)))
    if failure is not None:
        return failure
    out = folder[0]
    notes = []
    for stage, step in _later_stages(job, out):
        trouble = _attempt(stage, step)
        if trouble is not None:
            notes.append(f"{stage}: {trouble['reason']}")
    record = out.record
    out.write_json("run.json", {**record, "batch": {"key": job.key, "study": job.study, "notes": notes}})
    return {"ending": Ending.DONE, "stage": "", "reason": "", "notes": notes}


def _analyse(job: Job) -> ResultFolder:
    options = dict(job.options)
    vessel, phase = options.pop("vessel", None), options.pop("phase", None)
    spacing = options.pop("mm_per_px", None)
    return analyse(
        Path(job.file),
        Path(job.out),
        AnalyseOptions(
            mm_per_px=None if spacing is None else (spacing[0], spacing[1]),
            vessel=None if vessel is None else Vessel(vessel),
            phase=None if phase is None else Phase(phase),
            overwrite=True,
            **options,
        ),
    )


def _later_stages(job: Job, folder: ResultFolder) -> list[tuple[str, Callable[[], object]]]:
    stages: list[tuple[str, Callable[[], object]]] = []
    if job.fluoro is not None and job.cine is not None:
        films = Path(job.fluoro), Path(job.cine), None if job.cine2 is None else Path(job.cine2)
        stages.append(("coregister", lambda: coregister(folder.path, *films)))
    return stages


def _attempt(stage: str, step: Callable[[], object]) -> dict[str, Any] | None:
    """Run one step; None when it went well, else how it failed."""
    try:
        step()
    except BorelineError as refusal:
        return _failed(Ending.FAILED, stage, str(refusal))
    except MemoryError:
        return _failed(Ending.FAILED, stage, "not enough memory")
    except OSError as fault:
        ending = Ending.FAILED_FOR_NOW if fault.errno in _PASSING else Ending.FAILED
        return _failed(ending, stage, f"{type(fault).__name__}: {fault.strerror}")
    except Exception as fault:
        return _failed(Ending.FAILED, stage, f"unexpected {type(fault).__name__}: {fault}")
    return None


def _failed(ending: Ending, stage: str, reason: str) -> dict[str, Any]:
    return {"ending": ending, "stage": stage, "reason": " ".join(reason.split()), "notes": []}


if __name__ == "__main__":
    main()
