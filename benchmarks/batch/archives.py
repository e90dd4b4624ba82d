"""How a batch scales and what it survives: discovery, throughput, overhead, memory, faults. Results lie beside it.

    python benchmarks/batch/archives.py discovery|throughput|memory|faults [--frames 300] [--runs 6] [--scratch DIR]

Run it on a quiet machine; the load before and after is recorded with the figures. Throughput compares two workers of
one thread with one worker of one thread on the same archive, and that batch with the same runs by `boreline analyse`,
`plan` and `report`, each a command of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pandas as pd
import psutil
from pydicom import dcmread
from pydicom.uid import generate_uid

from boreline.batch.archive import run_name
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
    start = time.monotonic()
    seen: list[tuple[int, float, float]] = []
    while batch.poll() is None:
        try:
            own = batch.memory_info().rss / 1e6
            runs = max((child.memory_info().rss / 1e6 for child in batch.children()), default=0.0)
        except psutil.Error:  # a run ended between two looks
            continue
        seen.append((len(list((scratch / "out").glob("endings/*.json"))), own, runs))
        time.sleep(0.25)
    batch.wait()
    endings = [path.read_text() for path in (scratch / "out").glob("endings/*.json")]
    after = {n: round(max(own for done, own, _ in seen if done == n), 1) for n in sorted({done for done, _, _ in seen})}
    marks = [n for n in after if n in {1, 10, 25, 50, 75, 100, 125, 150, 175, 200} or n == max(after)]
    return {
        "runs": options.runs,
        "runs_done": sum('"ending": "done"' in text for text in endings),
        "minutes": round((time.monotonic() - start) / 60, 1),
        "frames_per_run": options.frames,
        "batch_process_mb_after_runs": {n: after[n] for n in marks},
        "largest_run_process_mb": round(max(run for _, _, run in seen), 1),
    }


def faults(scratch: Path, options: argparse.Namespace) -> dict[str, Any]:
    """All faults at once in an archive of 40 files, then the same batch again once the disk is writable.

    Raises
    ------
    AssertionError
        A healthy run was not done, a fault was not explained, or a file was lost.
    """
    archive, out = scratch / "archive", scratch / "out"
    write_archive(archive, 30, options.frames)
    whole = archive / "first" / "run.dcm"
    planted = plant_faults(archive, whole)
    blocked = out / "runs" / f".{run_name(dcmread(archive / 'copy1' / 'run.dcm').SOPInstanceUID, '')}.lock"
    blocked.mkdir(parents=True)  # a folder where a file has to go: nobody can write there, root included
    batch = psutil.Popen([*BORELINE, "batch", str(archive), "--out", str(out), "--workers", "2"])
    hurt(batch)
    status = batch.wait()
    first = settled_files(out)
    shutil.rmtree(blocked)
    again = subprocess.run([*BORELINE, "batch", str(archive), "--out", str(out), "--workers", "2"], check=False)
    second = settled_files(out)
    files = {path.relative_to(archive).as_posix() for path in archive.rglob("*") if path.is_file()}
    for found, healthy in ((first, 27), (second, 29)):
        told = {**found["failed"], **found["skipped"]}
        if found["done"] != healthy or len(told) + found["done"] != len(files):
            raise AssertionError(f"{found['done']} done of {healthy}, {len(told)} explained, of {len(files)} files")
        for name, words in planted.items():
            if words not in told.get(name, ""):
                raise AssertionError(f"{name}: {told.get(name)!r} does not say {words!r}")
    if (status, again.returncode) != (1, 1):
        raise AssertionError(f"the batches ended with {status} and {again.returncode}")
    return {
        "files": len(files),
        "first_batch": {"done": first["done"], "failed": len(first["failed"]), "skipped": len(first["skipped"])},
        "second_batch": {"done": second["done"], "failed": len(second["failed"]), "skipped": len(second["skipped"])},
        "reasons_of_the_first": {**first["failed"], **first["skipped"]},
        "reasons_of_the_second": {**second["failed"], **second["skipped"]},
    }


def plant_faults(archive: Path, whole: Path) -> dict[str, str]:
    """Ten faulty files beside the healthy ones; returns the words by which each must be explained."""
    data = whole.read_bytes()
    planted = {}
    for name, content, words in (
        ("truncated/half.dcm", data[: len(data) // 2], "truncated"),
        ("truncated/end.dcm", data[:-2000], "truncated"),
        ("other/notes.txt", b"not a picture\n" * 100, "not a DICOM file"),
        ("other/picture.png", b"\x89PNG\r\n\x1a\n" + b"0" * 4000, "not a DICOM file"),
        ("twice/one.dcm", data, "same SOP Instance UID"),
        ("twice/two.dcm", data, "same SOP Instance UID"),
    ):
        (archive / name).parent.mkdir(exist_ok=True)
        (archive / name).write_bytes(content)
        planted[name] = words
    for number in (1, 2):
        run = dcmread(whole)
        run.SOPInstanceUID = run.file_meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[f"bare{number}"])
        del run.SequenceOfUltrasoundRegions
        (archive / "bare").mkdir(exist_ok=True)
        run.save_as(archive / "bare" / f"{number}.dcm")
        planted[f"bare/{number}.dcm"] = "(0018,6011)"
        run.SOPClassUID = run.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"  # CT
        run.Modality = "CT"
        (archive / "ct").mkdir(exist_ok=True)
        run.save_as(archive / "ct" / f"{number}.dcm")
        planted[f"ct/{number}.dcm"] = "CT Image Storage"
    return planted


def hurt(batch: psutil.Popen) -> None:
    """Kill the third run that starts; let the fifth find its disk full (its files may not grow beyond 20 kB)."""
    seen: list[int] = []
    while batch.poll() is None and len(seen) < 5:
        for child in batch.children():
            if child.pid in seen:
                continue
            seen.append(child.pid)
            if len(seen) == 3:
                child.kill()
            if len(seen) == 5:
                child.rlimit(psutil.RLIMIT_FSIZE, (20_000, 20_000))
        time.sleep(0.01)


def settled_files(out: Path) -> dict[str, Any]:
    """How many runs are done, and why the other files are not, by file."""
    tables = {
        name: pd.read_csv(out / f"{name}.csv", dtype=str, keep_default_na=False)
        for name in ("cohort", "failures", "skipped")
    }
    return {
        "done": len(tables["cohort"]),
        "failed": {row["file"]: row["reason"] for _, row in tables["failures"].iterrows()},
        "skipped": {row["file"]: row["reason"] for _, row in tables["skipped"].iterrows()},
    }


def main() -> None:
    """Measure one thing and save it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["discovery", "throughput", "memory", "faults"])
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--scratch", type=Path, default=None)
    options = parser.parse_args()
    load = os.getloadavg()[0]
    jobs = {"discovery": discovery, "throughput": throughput, "memory": memory, "faults": faults}
    with tempfile.TemporaryDirectory(dir=options.scratch) as scratch:
        found = jobs[options.what](Path(scratch), options)
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
