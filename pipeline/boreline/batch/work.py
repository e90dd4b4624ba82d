"""What a worker does with a job: find out whether it is done already, else run it.

Contents are hashed here, one run at a time and just before its analysis reads the same file, so that no process
hashes a whole archive before the first run starts.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from boreline.batch.fingerprints import Fingerprint, fingerprint, unchanged
from boreline.batch.job import Ending, Job, Outcome, run_job
from boreline.batch.ledger import Ledger
from boreline.results import json_ready


def work(job: Job) -> Outcome:
    """Do one job, or give back how it ended before when input, parameters and version are the same."""
    try:
        job = job if job.key else keyed(job, fingerprints(job))
    except OSError as fault:
        return Outcome(job.name, "", Ending.FAILED_FOR_NOW, "reading", f"cannot be read: {fault.strerror}")
    ledger = Ledger(Path(job.out).parents[1])
    kept = ledger.of(job.name)
    if kept is not None and ledger.settled(job):
        return replace(kept, fingerprints=job.fingerprints, reused=True)
    return replace(run_job(job), fingerprints=job.fingerprints)


def fingerprints(job: Job) -> dict[str, Fingerprint]:
    """Of all files of a job, by their part in it; those that did not change are taken as they are known."""
    return {
        part: job.fingerprints[part] if unchanged(Path(path), job.fingerprints.get(part)) else fingerprint(Path(path))
        for part, path in job.files.items()
    }


def keyed_if_known(job: Job) -> Job:
    """The job with its key where no file has to be read for it, else as it is."""
    if all(unchanged(Path(path), job.fingerprints.get(part)) for part, path in job.files.items()):
        return keyed(job, {part: job.fingerprints[part] for part in job.files})
    return job


def keyed(job: Job, found: Mapping[str, Fingerprint]) -> Job:
    """The job with the key that follows from its inputs and its files' contents."""
    contents = {part: one["sha256"] for part, one in found.items()}
    text = json.dumps(json_ready({"inputs": job.inputs, "contents": contents}), sort_keys=True, default=str)
    return replace(job, key=hashlib.sha256(text.encode()).hexdigest(), fingerprints=dict(found))
