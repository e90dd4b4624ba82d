"""Damage sound files many thousand times and record how each case ends.

    python benchmarks/hostile/damaged_runs.py --cases 20000

Every case must end as a run, as flagged frames, or as a refusal in one line. A child process reads the files, so that a
hang (over 30 s), an abort of a decoder or memory beyond 1 GB is seen and counted too. Results go to
``damaged_runs.json`` beside this script. The mutations are those of ``tests/hostile``.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sys
import tempfile
import time
import warnings
from collections import Counter
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests" / "hostile"), str(ROOT / "tests" / "reading")]

from outcomes import SECONDS_ALLOWED, bases, damage, outcome  # noqa: E402

from boreline import __version__  # noqa: E402

MEGABYTES_ALLOWED = 1024
FIRST_SEED = 1_000_000  # none of the suite's own


def read_cases(first: int, last: int, answers: Connection) -> None:
    """In the child: read the cases [first, last) and tell how each ended."""
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder:
        sound = bases(Path(folder))
        path = Path(folder, "run.dcm")
        for case in range(first, last):
            base = sound[case % len(sound)]
            mutation, data = damage(base, FIRST_SEED + case)
            path.write_bytes(data)
            start = time.monotonic()
            try:
                end = outcome(path, base, mutation)
            except Exception as fault:
                end = f"{type(fault).__name__}: {str(fault)[:200]}"
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            answers.send((case, base.name, mutation, end, time.monotonic() - start, peak_mb))
    answers.close()


def campaign(cases: int, minutes: float) -> dict[str, object]:
    """Run all cases that `minutes` allow, going on after a case that killed or stalled its process."""
    deadline = time.monotonic() + 60 * minutes
    context = multiprocessing.get_context("spawn")
    ends: Counter[str] = Counter()
    by_base: dict[str, Counter[str]] = {}
    by_mutation: dict[str, Counter[str]] = {}
    bad: list[dict[str, object]] = []
    slowest: tuple[float, int, str, str] = (0.0, 0, "", "")
    peak_mb = 0.0
    done = 0
    late = False
    while done < cases and not late:
        ours, theirs = context.Pipe(duplex=False)
        child = context.Process(target=read_cases, args=(done, cases, theirs))
        child.start()
        theirs.close()
        try:
            while ours.poll(SECONDS_ALLOWED + 30):
                case, base, mutation, end, seconds, megabytes = ours.recv()
                done = case + 1
                slowest = max(slowest, (seconds, case, base, mutation))
                peak_mb = max(peak_mb, megabytes)
                kind = end if end in ("run", "flagged", "refused") else "traceback"
                if seconds > SECONDS_ALLOWED:
                    kind = "hang"
                elif megabytes > MEGABYTES_ALLOWED:
                    kind = "memory"
                ends[kind] += 1
                by_base.setdefault(base, Counter())[kind] += 1
                by_mutation.setdefault(mutation, Counter())[kind] += 1
                if kind in ("traceback", "hang", "memory"):
                    bad.append({"case": case, "base": base, "mutation": mutation, "end": end})
                late = time.monotonic() > deadline
                if late:
                    break
            child.kill()
            died = "hang"
        except EOFError:
            died = "abort"
        child.join()
        if done < cases and not late:
            ends[died] += 1
            bad.append({"case": done, "end": died, "exit": child.exitcode})
            done += 1
    return {
        "version": __version__,
        "date": datetime.now(UTC).date().isoformat(),
        "cases": done,
        "ends": dict(ends),
        "by_file": {name: dict(counts) for name, counts in sorted(by_base.items())},
        "by_mutation": {name: dict(counts) for name, counts in sorted(by_mutation.items())},
        "slowest_s": round(slowest[0], 3),
        "slowest_case": slowest[1:],
        "peak_mb": round(peak_mb, 1),
        "bad": bad,
    }


def main() -> None:
    """Run the campaign and save its results; exit 1 when any case ended badly."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--minutes", type=float, default=120.0, help="stop and save what was done after so long")
    arguments = parser.parse_args()
    results = campaign(arguments.cases, arguments.minutes)
    target = Path(__file__).with_suffix(".json")
    target.write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")
    print(json.dumps({name: results[name] for name in ("cases", "ends", "slowest_s", "peak_mb")}))
    sys.exit(1 if results["bad"] else 0)


if __name__ == "__main__":
    main()
