"""Speed and memory of the whole analysis, held against the least that any analysis must do.

The floor is the CPU time per frame of finding a frame in the file, decoding it to grey and one polar resampling to
256 x 256. It is measured in the same process, on the same file, as the analysis.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
import pydicom
import simplejpeg
from pydicom.encaps import encapsulate, generate_frames

from boreline.reading.header import read_header
from boreline.reading.pixels import locate_pixels
from boreline.segmentation.protocol import DEFAULT_SEGMENTER
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline_phantoms import scenes, write_scene

DRAWN_FRAMES = 60
SIDE = 256
MEMORY_FRAMES = (500, 3000)


@dataclass(frozen=True, slots=True)
class Speed:
    """CPU milliseconds per frame of the floor and of the analysis, their ratio, and frames per second of wall time."""

    n_frames: int
    threads: int
    floor_ms: float
    analysis_ms: float
    ratio: float
    frames_per_s: float


def write_long_run(path: Path, n_frames: int, *, size: int = 512) -> Path:
    """A JPEG run of any length: a short synthetic pullback played to and fro, so that neighbours stay neighbours."""
    with TemporaryDirectory(prefix="boreline-") as scratch:
        drawn = write_scene(scenes.get("vessel").with_(frames=DRAWN_FRAMES, size=size), Path(scratch) / "scene")
        dataset = pydicom.dcmread(drawn)
    fragments = list(generate_frames(dataset.PixelData, number_of_frames=DRAWN_FRAMES))
    there_and_back = fragments + fragments[-2:0:-1]
    dataset.PixelData = encapsulate([there_and_back[k % len(there_and_back)] for k in range(n_frames)])
    dataset["PixelData"].VR = "OB"
    dataset.NumberOfFrames = n_frames
    for name in ("IVUSPullbackStartFrameNumber", "IVUSPullbackStopFrameNumber"):
        if name in dataset:
            setattr(dataset, name, 1 if "Start" in name else n_frames)
    if "FrameTimeVector" in dataset:
        step = float(dataset.FrameTimeVector[1])
        dataset.FrameTimeVector = [0.0] + [step] * (n_frames - 1)
    dataset.save_as(path)
    return path


def floor_ms(path: Path, repeats: int = 3) -> float:
    """CPU milliseconds per frame: locate, decode to grey, one resampling; the best of a few turns."""
    pixels = locate_pixels(read_header(path), whole_frames_only=False)
    angle = 2 * np.pi * np.arange(SIDE, dtype=np.float32)[:, None] / SIDE
    depth = np.arange(SIDE, dtype=np.float32)[None, :]
    x, y = 256 + depth * np.cos(angle), 256 + depth * np.sin(angle)
    maps = cv2.convertMaps(x.astype(np.float32), y.astype(np.float32), cv2.CV_16SC2)
    best = np.inf
    file = pixels.bytes.open()
    try:
        for _ in range(repeats):
            started = time.process_time()
            for number in range(pixels.n_frames):
                grey = simplejpeg.decode_jpeg(pixels.bytes.read(file, number), colorspace="GRAY")[..., 0]
                cv2.remap(grey, *maps, cv2.INTER_LINEAR)
            best = min(best, (time.process_time() - started) / pixels.n_frames)
    finally:
        os.close(file)
    return 1e3 * best


def measure_speed(n_frames: int = 600, *, threads: int = 2, segmenter: str = DEFAULT_SEGMENTER) -> Speed:
    """Floor and whole analysis on one synthetic 512 x 512 JPEG run; compiled code is warmed up first."""
    cv2.setNumThreads(1)
    with TemporaryDirectory(prefix="boreline-") as scratch:
        folder = Path(scratch)
        run = write_long_run(folder / "run.dcm", n_frames)
        analyse(write_long_run(folder / "warm.dcm", 40), folder / "warm", AnalyseOptions(segmenter=segmenter))
        least = floor_ms(run)
        wall, cpu = time.perf_counter(), time.process_time()
        analyse(run, folder / "out", AnalyseOptions(segmenter=segmenter, threads=threads))
        cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        least = min(least, floor_ms(run))
    per_frame = 1e3 * cpu / n_frames
    return Speed(n_frames, threads, least, per_frame, per_frame / least, n_frames / wall)


_CHILD = """
import json, sys
from pathlib import Path
from boreline.workflow.analyse import AnalyseOptions, analyse
analyse(Path(sys.argv[1]), Path(sys.argv[2]), AnalyseOptions(segmenter=sys.argv[3], threads=int(sys.argv[4])))
status = Path("/proc/self/status").read_text().splitlines()
print(json.dumps(next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))))
"""


def peak_memory_mb(n_frames: int, *, threads: int = 2, segmenter: str = DEFAULT_SEGMENTER) -> float:
    """Peak resident memory of the whole analysis in a process of its own, in MB.

    Read from the process's own high-water mark: the usage that the system accounts to a child starts at its parent's.
    """
    with TemporaryDirectory(prefix="boreline-") as scratch:
        folder = Path(scratch)
        run = write_long_run(folder / "run.dcm", n_frames)
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, str(run), str(folder / "out"), segmenter, str(threads)],
            capture_output=True,
            text=True,
            check=True,
        )
    return float(json.loads(done.stdout.splitlines()[-1]))


def as_record(speed: Speed, memory_mb: dict[int, float]) -> dict[str, object]:
    """For JSON."""
    return {**asdict(speed), "peak_memory_mb": {str(n): round(mb, 1) for n, mb in memory_mb.items()}}
