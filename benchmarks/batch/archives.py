"""How a batch scales: discovery, throughput, overhead, memory over many runs. Results are written beside it.

    python benchmarks/batch/archives.py discovery|throughput|memory [--frames 300] [--runs 6] [--scratch DIR]

Run it on a quiet machine; the load before and after is recorded with the figures. Throughput compares two workers of
one thread with one worker of one thread on the same archive, and that batch with the same runs by `boreline analyse`,
`plan` and `report`, each a command of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import psutil
from pydicom import dcmread
from pydicom.uid import generate_uid

from boreline.reading.discovery import discover
from boreline_phantoms.scenes import get
from boreline_phantoms.writing import write_scene

HERE = Path(__file__).parent
BORELINE = (sys.executable, "-c", "from boreline_cli.main import main; main()")


def write_archive(root: Path, runs: int, frames: int) -> None:
    """Copies of one run under SOP Instance UIDs of their own."""
    write_scene(get("vessel").with_(frames=frames), root / "first")
    run = dcmread(root / "first" / "run.dcm")
    for number in range(1, runs):
        uid = generate_uid(entropy_srcs=[str(number)])
        run.SOPInstanceUID = run.file_meta.MediaStorageSOPInstanceUID = uid
        (root / f"copy{number}").mkdir()
        run.save_as(root / f"copy{number}" / "run.dcm")


def command(*words: str | Path) -> tuple[float, float]:
    """Wall and CPU seconds of one `boreline` command with all its children."""
    before = os.times()
    start = time.perf_counter()
    subprocess.run([*BORELINE, *map(str, words)], check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return wall, cpu


def discovery(scratch: Path, _: argparse.Namespace) -> dict[str, Any]:
    """10,000 files of which 200 are pullbacks."""
    write_scene(get("vessel").with_(frames=20), scratch / "run")
    run = dcmread(scratch / "run" / "run.dcm")
    whole = (scratch / "run" / "run.dcm").read_bytes()
    run.SOPClassUID = run.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"  # CT
    run.save_as(scratch / "other.dcm")
    other = (scratch / "other.dcm").read_bytes()[:4096]
    for number in range(10_000):
        folder = scratch / "archive" / f"{number // 500:02d}"
        folder.mkdir(parents=True, exist_ok=True)
        kind = number % 50
        data = whole if kind == 0 else other if kind < 30 else b"no picture %d" % number * 50
        (folder / f"{number:05d}").write_bytes(data)
    start = time.perf_counter()
    found = discover(scratch / "archive")
    seconds = time.perf_counter() - start
    return {
        "files": 10_000,
        "pullbacks": len(found.pullbacks),
        "skipped": len(found.skipped),
        "seconds": round(seconds, 2),
        "target_seconds": 30,
    }


def throughput(scratch: Path, options: argparse.Namespace) -> dict[str, Any]:
    """One worker, two workers, and the same runs one command at a time."""
    archive = scratch / "archive"
    write_archive(archive, options.runs, options.frames)
    command("batch", archive, "--out", scratch / "warm", "--pattern", "first/*")  # compiled kernels, file cache
    single = [(0.0, 0.0)]
    for run in sorted(archive.glob("*/run.dcm")):
        out = scratch / "single" / run.parent.name
        single.append(command("analyse", run, "--out", out))
        single.append(command("plan", out))
        single.append(command("report", out))
    one = command("batch", archive, "--out", scratch / "one")
    two = command("batch", archive, "--out", scratch / "two", "--workers", "2")
    again = command("batch", archive, "--out", scratch / "two", "--workers", "2")
    wall, cpu = (sum(pair[i] for pair in single) for i in (0, 1))
    results = [path for path in (scratch / "two" / "runs").rglob("*") if path.is_file()]
    return {
        "runs": options.runs,
        "frames_per_run": options.frames,
        "run_mb": round((archive / "first" / "run.dcm").stat().st_size / 1e6, 1),
        "result_mb_per_run": round(sum(path.stat().st_size for path in results) / 1e6 / options.runs, 2),
        "single_wall_s": round(wall, 1),
        "single_cpu_s": round(cpu, 1),
        "one_worker_wall_s": round(one[0], 1),
        "one_worker_cpu_s": round(one[1], 1),
        "two_workers_wall_s": round(two[0], 1),
        "two_workers_cpu_s": round(two[1], 1),
        "nothing_to_do_wall_s": round(again[0], 1),
        "speed_up": round(one[0] / two[0], 2),
        "target_speed_up": 1.7,
        "overhead_wall_pct": round(100 * (one[0] / wall - 1), 1),
        "overhead_cpu_pct": round(100 * (one[1] / cpu - 1), 1),
        "target_overhead_pct": 8,
        "cpu_s_per_run": round(one[1] / options.runs, 2),
    }


def memory(scratch: Path, options: argparse.Namespace) -> dict[str, Any]:
    """Resident memory of the batch process itself, over many small runs."""
    write_archive(scratch / "archive", options.runs, options.frames)
    batch = psutil.Popen(
        [*BORELINE, "batch", str(scratch / "archive"), "--out", str(scratch / "out"), "--workers", "2"]
    )
    seen: list[tuple[int, float, float]] = []
    while batch.poll() is None:
        try:
            own = batch.memory_info().rss / 1e6
            runs = max((child.memory_info().rss / 1e6 for child in batch.children()), default=0.0)
        except psutil.Error:
            break
        seen.append((len(list((scratch / "out").glob("endings/*.json"))), own, runs))
        time.sleep(0.25)
    batch.wait()
    after = {n: round(max(own for done, own, _ in seen if done == n), 1) for n in sorted({done for done, _, _ in seen})}
    marks = [n for n in after if n in {1, 10, 25, 50, 100, 150, 200} or n == max(after)]
    return {
        "runs": options.runs,
        "frames_per_run": options.frames,
        "batch_process_mb_after_runs": {n: after[n] for n in marks},
        "largest_run_process_mb": round(max(run for _, _, run in seen), 1),
    }


def main() -> None:
    """Measure one thing and save it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["discovery", "throughput", "memory"])
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--scratch", type=Path, default=None)
    options = parser.parse_args()
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory(dir=options.scratch) as scratch:
        found = globals()[options.what](Path(scratch), options)
    machine = {
        "cpus": os.cpu_count(),
        "python": platform.python_version(),
        "load_before_1_min": round(load, 1),
        "load_after_1_min": round(os.getloadavg()[0], 1),
    }
    text = json.dumps({**found, "machine": machine}, indent=2)
    (HERE / f"{options.what}.json").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
