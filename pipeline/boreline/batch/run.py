"""A whole archive: find, analyse each run apart, resume what was cut off, gather the cohort."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from boreline._version import __version__
from boreline.batch.archive import Archive, Candidate, read_archive, stated_options
from boreline.batch.cohort import cohort_row, cohort_table
from boreline.batch.distribute import run_jobs
from boreline.batch.job import Ending, Job, Outcome, out_folder
from boreline.batch.ledger import Ledger
from boreline.batch.methods import methods_text
from boreline.batch.page import cohort_page
from boreline.batch.study import Study
from boreline.batch.work import keyed_if_known
from boreline.errors import InputRefused
from boreline.results import ResultFolder, change, json_ready
from boreline.segmentation.protocol import load_segmenter

Progress = Callable[[int, int, str], None]
"""Called with (runs settled, runs in all, what just happened)."""


@dataclass(frozen=True, slots=True)
class BatchOptions:
    """How an archive is worked through."""

    pattern: str = "*"
    mapping: Path | None = None
    workers: int = 1
    threads: int = 1
    scheduler: str | None = None


@dataclass(frozen=True, slots=True)
class BatchResult:
    """How many runs are done, failed, and how many files were skipped."""

    done: int
    failed: int
    skipped: int
    reused: int


def run_batch(
    source: Path, out: Path, study: Study, options: BatchOptions, *, progress: Progress = lambda *_: None
) -> BatchResult:
    """Analyse every pullback of an archive; runs that ended before with the same input and parameters are kept.

    Raises
    ------
    InputRefused
        The archive, the study or `out` cannot be used. A run that fails is no reason: it is recorded.
    """
    segmenter = load_segmenter(study.segmenter)
    archive = read_archive(source, pattern=options.pattern, mapping=options.mapping, pseudonym_key=study.pseudonym_key)
    with _held(out):
        ledger = Ledger(out)
        jobs, refused = _plan(archive, study, options, ledger, f"{__version__}/{segmenter.version}")
        for outcome in refused:
            ledger.note(outcome)
        pending = [job for job in jobs if not ledger.settled(job)]
        total, settled = len(archive.candidates), len(archive.candidates) - len(pending)
        reused = len(jobs) - len(pending)
        progress(settled, total, "")
        for wave in _waves(pending):
            for outcome in run_jobs(wave, workers=options.workers, scheduler=options.scheduler):
                ledger.note(outcome)
                settled, reused = settled + 1, reused + outcome.reused
                progress(settled, total, f"{outcome.name} {outcome.ending.value}")
        return _gather(out, archive, ledger, study, reused=reused)


def _waves(jobs: Sequence[Job]) -> Iterator[list[Job]]:
    """Jobs in the order in which they may run: one that is compared with an earlier run waits for that run."""
    waiting = list(jobs)
    while waiting:
        unfinished = {job.out for job in waiting}
        ready = [job for job in waiting if job.before not in unfinished] or waiting  # a circle waits for nobody
        yield ready
        waiting = [job for job in waiting if job not in ready]


def _plan(
    archive: Archive, study: Study, options: BatchOptions, ledger: Ledger, version: str
) -> tuple[list[Job], list[Outcome]]:
    """The jobs of an archive, and the outcomes of candidates that no job can help."""
    jobs: list[Job] = []
    refused: list[Outcome] = []
    known = {candidate.file.resolve(): candidate for candidate in archive.candidates}
    overridden = study.mm_per_px is not None or study.trust_region or study.whole_frames_only
    for candidate in archive.candidates:
        name = candidate.name
        stated = stated_options(candidate.stated)
        if candidate.defect is not None and not overridden and "mm_per_px" not in stated:
            refused.append(_refused(name, candidate.defect))
            continue
        if candidate.twin_of is not None:
            refused.append(
                _refused(name, f"holds the same SOP Instance UID as another file; that is {candidate.twin_of}")
            )
            continue
        try:
            jobs.append(_job(candidate, stated, study, options, ledger, version, known))
        except OSError as fault:
            refused.append(_refused(name, f"cannot be read: {fault.strerror}", Ending.FAILED_FOR_NOW))
    return jobs, refused


def _refused(name: str, reason: str, ending: Ending = Ending.FAILED) -> Outcome:
    return Outcome(name, "", ending, "reading", reason)


def _job(
    candidate: Candidate,
    stated: dict[str, object],
    study: Study,
    options: BatchOptions,
    ledger: Ledger,
    version: str,
    known: dict[Path, Candidate],
) -> Job:
    apart = ("overwrite", "threads", "calibration_file")
    analysis = {k: v for k, v in asdict(study.options()).items() if k not in apart} | stated
    before = known.get(Path(candidate.stated["before"])) if candidate.stated.get("before") else None
    films = {
        "fluoro": candidate.fluoro,
        "cine": candidate.cine,
        "cine2": Path(candidate.stated["cine2"]) if candidate.stated.get("cine2") else None,
    }
    files = {
        "run": candidate.file,
        **films,
        "before": None if before is None else before.file,
        "calibration": study.calibration_file,
        "devices": study.devices,
    }
    kept = ledger.of(candidate.name)
    job = Job(
        name=candidate.name,
        key="",
        file=str(candidate.file.resolve()),
        out=str(out_folder(ledger.out, candidate.name).resolve()),
        options={
            **json_ready(analysis),
            "calibration_file": None if study.calibration_file is None else str(study.calibration_file),
            "threads": options.threads,
        },
        study=study.described(),
        time_limit_s=study.limits.time_s,
        memory_limit_mb=study.limits.memory_mb,
        before=None if before is None else str(out_folder(ledger.out, before.name).resolve()),
        balloon_mm=float(candidate.stated["balloon_mm"]) if candidate.stated.get("balloon_mm") else None,
        devices=None if study.devices is None else str(study.devices),
        inputs={
            "version": version,
            "options": json_ready(analysis),
            "balloon_mm": candidate.stated.get("balloon_mm"),
            "before": None if before is None else stated_options(before.stated),
        },
        files={part: str(path.resolve()) for part, path in files.items() if path is not None},
        fingerprints={} if kept is None else kept.fingerprints,
        **{kind: None if path is None else str(path.resolve()) for kind, path in films.items()},
    )
    return keyed_if_known(job)


def _gather(out: Path, archive: Archive, ledger: Ledger, study: Study, *, reused: int) -> BatchResult:
    """Write the cohort's tables and page, all in one step."""
    rows, failures = [], []
    for candidate in archive.candidates:
        name = candidate.name
        outcome = ledger.of(name)
        if outcome is not None and outcome.ending is Ending.DONE:
            rows.append(
                cohort_row(name, ResultFolder.open(out_folder(out, name))) | {"notes": "; ".join(outcome.notes)}
            )
        elif outcome is not None:
            failures.append((candidate.relative, outcome.stage, outcome.reason))
    table = cohort_table(rows)
    with change(out) as staging:
        table.to_csv(staging / "cohort.csv", index=False, lineterminator="\n")
        table.to_parquet(staging / "cohort.parquet", index=False)
        _write_rows(staging / "failures.csv", ("file", "stage", "reason"), failures)
        _write_rows(staging / "skipped.csv", ("file", "reason"), archive.skipped)
        page = cohort_page(study.name, table, n_candidates=len(archive.candidates), failures=failures)
        (staging / "cohort.html").write_text(page, encoding="utf-8")
        (staging / "methods.txt").write_text(methods_text(study, table), encoding="utf-8")
    return BatchResult(len(rows), len(failures), len(archive.skipped), reused)


def _write_rows(path: Path, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    pd.DataFrame(list(rows), columns=list(columns)).to_csv(path, index=False, lineterminator="\n")


@contextmanager
def _held(out: Path) -> Iterator[None]:
    """`out` made and locked against a second batch."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        handle = os.open(out / ".batch.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as cause:
        raise InputRefused(f"cannot be written: {cause.strerror}", file=out, remedy="choose another --out") from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputRefused("another batch is writing there", file=out, remedy="wait for it") from None
        yield
    except OSError as cause:
        raise InputRefused(
            f"cannot be written any more: {cause.strerror}",
            file=out,
            remedy="mend that and run the same command again; finished runs are kept",
        ) from None
    finally:
        os.close(handle)
