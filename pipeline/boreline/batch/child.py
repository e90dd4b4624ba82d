"""The child process of one job: reads a `Job` as one JSON line on stdin, prints its `Outcome` as one JSON line."""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from pathlib import Path
from threading import Thread
from typing import Any

from boreline.batch.choices import ASSESSMENT, PLAN, Choices, forget, landing_mm, made_here, operator_choices, put_aside
from boreline.batch.job import Ending, Job
from boreline.batch.ledger import batch_note
from boreline.errors import BorelineError, InputRefused
from boreline.model import Phase, Vessel
from boreline.results import ResultFolder
from boreline.workflow.analyse import AnalyseOptions, analyse

_PASSING = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EFBIG,
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.EIO,
    errno.EMFILE,
    errno.ENFILE,
    errno.ENOTDIR,
    errno.EISDIR,
    errno.ENOTEMPTY,
    errno.EEXIST,
    errno.ENOENT,
    errno.ESTALE,
}
"""Faults of the machine or the folder, not of the run: the next batch tries again."""
_ON_THE_PAGE = (PLAN, ASSESSMENT, "marker.parquet")
"""What the report that the analysis wrote does not show yet."""


def main() -> None:
    """Do one job and tell how it ended."""
    job = Job(**json.loads(sys.stdin.readline()))
    Thread(target=_end_with_parent, daemon=True).start()
    with redirect_stdout(sys.stderr):
        told = perform(job)
    sys.stdout.write(json.dumps(told) + "\n")


def _end_with_parent() -> None:
    """Leave at once when the parent is gone, which ends the standard input."""
    while os.read(0, 1):
        pass
    os._exit(1)


def perform(job: Job) -> dict[str, Any]:
    """Analyse, co-register, plan and assess as far as the run allows; what an operator decided by command stays."""
    done: list[tuple[ResultFolder, Choices, bool]] = []
    failure = _attempt("analysis", lambda: done.append(_analysed(job)))
    if failure is not None:
        return failure
    folder, choices, placed = done[0]
    notes: list[str] = list(_about(choices, job))
    for stage, step in _later_stages(job, folder, choices, placed=placed):
        trouble = _attempt(stage, step)
        if trouble is None:
            continue
        if trouble["ending"] is Ending.FAILED_FOR_NOW:
            return trouble
        notes.append(f"{stage}: {trouble['reason']}")
    # Written last: a folder that holds the key went through every stage.
    made = {
        name: value for name, value in made_here(folder.path).items() if name != ASSESSMENT or not choices.assessment
    }
    noted = {**batch_note(job), "study": job.study, "notes": notes, "made": made, "sites": choices.sites}
    failure = _attempt("record", lambda: folder.write_json("run.json", {**folder.record, "batch": noted}))
    if failure is None:
        forget(folder.path)
    return failure or {"ending": Ending.DONE, "stage": "", "reason": "", "notes": notes}


def _about(choices: Choices, job: Job) -> Iterator[str]:
    if choices.sites:
        yield f"plan: at the {' and '.join(choices.sites)} landing site that an operator chose"
    if choices.device_list not in (
        None,
        "common sizes (built in)",
        None if job.devices is None else Path(job.devices).name,
    ):
        yield f"plan: an operator's device list {choices.device_list} was not at hand, the study's was used"
    if choices.assessment:
        yield "assessment: an operator's own, from before this analysis; boreline assess makes it anew"


def _analysed(job: Job) -> tuple[ResultFolder, Choices, bool]:
    """The run's result folder, what an operator decided there, and whether its places from films still hold.

    The folder stays as it is when only edits are newer; else it is made anew, with its edits when there are any.
    """
    path = Path(job.out)
    choices = operator_choices(path)
    put_aside(path, choices)
    kept = _kept(job, path)
    folder = _fresh(job, path) if kept is None else kept
    if choices.assessment:
        folder.write_json(ASSESSMENT, choices.assessment)
    return folder, choices, kept is not None and bool(folder.record.get("coregistration"))


def _kept(job: Job, path: Path) -> ResultFolder | None:
    """The folder with tables up to date with its edits; None when input, parameters or version are others."""
    if not (path / "run.json").is_file():
        return None
    kept = ResultFolder.open(path)
    if (kept.record.get("batch") or {}).get("key") != job.key:
        return None
    from boreline.workflow.apply_edits import up_to_date

    kept.write_json("run.json", {**kept.record, "batch": {"key": job.key}})  # not through every stage any more
    up_to_date(kept)
    for made_before_the_edits in (PLAN, ASSESSMENT):
        (path / made_before_the_edits).unlink(missing_ok=True)
    return kept


def _fresh(job: Job, path: Path) -> ResultFolder:
    options = _options(job)
    if (path / "run.json").is_file() and ResultFolder.open(path).has_edits():
        from boreline.workflow.reanalyse import reanalyse

        threads = options.pop("threads", 1)
        return reanalyse(path, options, source=Path(job.file), threads=threads).folder
    return analyse(Path(job.file), path, AnalyseOptions(**options, overwrite=True))


def _options(job: Job) -> dict[str, Any]:
    options: dict[str, Any] = dict(job.options)
    if options.get("mm_per_px") is not None:
        options["mm_per_px"] = tuple(options["mm_per_px"])
    if options.get("calibration_file") is not None:
        options["calibration_file"] = Path(options["calibration_file"])
    for name, words in (("vessel", Vessel), ("phase", Phase)):
        if options.get(name) is not None:
            options[name] = words(options[name])
    return options


def _later_stages(
    job: Job, folder: ResultFolder, choices: Choices, *, placed: bool
) -> Iterator[tuple[str, Callable[[], object]]]:
    """The stages after the analysis that apply to this run, each looked up when its turn comes."""
    if job.fluoro is not None and job.cine is not None and not placed:
        from boreline.workflow.coregister import coregister

        films = Path(job.fluoro), Path(job.cine), None if job.cine2 is None else Path(job.cine2)
        yield "coregister", lambda: coregister(folder.path, *films)

    from boreline.workflow.plan import plan_folder

    devices = None if job.devices is None else Path(job.devices)
    distal, proximal = (landing_mm(folder, choices, side) for side in ("distal", "proximal"))
    yield "plan", lambda: plan_folder(folder.path, distal_mm=distal, proximal_mm=proximal, devices=devices)
    stated = job.balloon_mm is not None or job.before is not None
    if not choices.assessment and (stated or folder.frames()["stent_area_mm2"].notna().any()):
        from boreline.workflow.assess import assess_folder

        yield "assess", lambda: assess_folder(folder.path, balloon_mm=job.balloon_mm)
        if job.before is not None:
            before = Path(job.before)  # where the two cannot be aligned, the assessment alone stays
            yield "comparison", lambda: assess_folder(folder.path, balloon_mm=job.balloon_mm, before=before)

    if folder.has_edits() or any((folder.path / name).exists() for name in _ON_THE_PAGE):
        from boreline.workflow.report import report

        yield "report", lambda: report([folder.path], source=Path(job.file))


def _attempt(stage: str, step: Callable[[], object]) -> dict[str, Any] | None:
    """Run one step; None when it went well, else how it failed."""
    try:
        step()
    except BorelineError as refusal:
        # A refusal to write names the machine's fault as its context.
        fault = refusal.__context__
        passing = isinstance(fault, OSError) and fault.errno in _PASSING
        return _failed(Ending.FAILED_FOR_NOW if passing else Ending.FAILED, stage, _without_folder(refusal))
    except MemoryError:
        return _failed(Ending.FAILED, stage, "not enough memory")
    except OSError as fault:
        ending = Ending.FAILED_FOR_NOW if fault.errno in _PASSING else Ending.FAILED
        return _failed(ending, stage, f"{type(fault).__name__}: {fault.strerror}")
    except Exception as fault:
        return _failed(Ending.FAILED, stage, f"unexpected {type(fault).__name__}: {fault}")
    return None


def _without_folder(refusal: BorelineError) -> str:
    """The refusal's line without the path, which the tables give."""
    if not isinstance(refusal, InputRefused):
        return str(refusal)
    parts = [f"{refusal.tag}: {refusal.problem}" if refusal.tag else refusal.problem, refusal.remedy]
    return "; ".join(part for part in parts if part)


def _failed(ending: Ending, stage: str, reason: str) -> dict[str, Any]:
    return {"ending": ending, "stage": stage, "reason": " ".join(reason.split()), "notes": []}


if __name__ == "__main__":
    main()
