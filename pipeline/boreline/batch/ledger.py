"""How each run ended, one small file a run, so that a batch picks up where it was cut off."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from boreline.batch.job import Ending, Job, Outcome, out_folder

_FOLDER = "endings"


@dataclass(frozen=True, slots=True)
class Ledger:
    """The endings of all runs of one batch folder."""

    out: Path

    def note(self, outcome: Outcome) -> None:
        """Keep one outcome, replacing an earlier one of the same run."""
        path = self._path(outcome.name)
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_suffix(".draft")
        kept = {name: value for name, value in asdict(outcome).items() if name != "reused"}
        draft.write_text(json.dumps(kept, indent=2) + "\n", encoding="utf-8")
        handle = os.open(draft, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        draft.replace(path)

    def of(self, name: str) -> Outcome | None:
        """The outcome of the run called `name`; None when it has none or its file is damaged."""
        try:
            kept = json.loads(self._path(name).read_text(encoding="utf-8"))
            return Outcome(**{**kept, "ending": Ending(kept["ending"]), "notes": tuple(kept["notes"])})
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def settled(self, job: Job) -> bool:
        """True when `job` ended before with the same input, parameters and version, and need not run again.

        A comparison is done again when the earlier run was edited since.
        """
        kept = self.of(job.name)
        if kept is None or kept.key != job.key or kept.ending is Ending.FAILED_FOR_NOW:
            return False
        return kept.ending is Ending.FAILED or _complete(out_folder(self.out, job.name), job)

    def _path(self, name: str) -> Path:
        return self.out / _FOLDER / f"{name}.json"


def edits_stamp(folder: Path) -> str | None:
    """Hash of all edit logs of a result folder; None without any."""
    logs = sorted(log for log in (folder / "edits").glob("*.jsonl") if log.stat().st_size)
    if not logs:
        return None
    digest = hashlib.sha256()
    for log in logs:
        digest.update(f"{log.name}\n".encode() + log.read_bytes())
    return digest.hexdigest()


def batch_note(job: Job) -> dict[str, str | None]:
    """What `run.json` keeps of a job that went through every stage: its key and the edits that it saw."""
    return {
        "key": job.key,
        "edits": edits_stamp(Path(job.out)),
        "edits_before": None if job.before is None else edits_stamp(Path(job.before)),
    }


def _complete(folder: Path, job: Job) -> bool:
    """True when every stage of the run was done with this key and with the edits as they are now."""
    try:
        noted = json.loads((folder / "run.json").read_text(encoding="utf-8"))["batch"]
        return all(noted[name] == value for name, value in batch_note(job).items())
    except (OSError, ValueError, TypeError, KeyError):
        return False
