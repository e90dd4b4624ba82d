"""Time and peak memory of writing one scene, short and long: `python benchmarks/phantoms/writing_speed.py`.

Each length runs in a process of its own. CPU time counts, since other work on the machine does not change it; frames a
second on two quiet cores follow from it, as drawing uses one.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent
SCENE, SIZE_PX = "vessel", 512


def write_once(frames: int) -> dict[str, float]:
    """Write the scene with that many frames, here and now."""
    from boreline_phantoms import scenes, write_scene

    with tempfile.TemporaryDirectory() as scratch:
        write_scene(scenes.get(SCENE).with_(frames=2, size=SIZE_PX), Path(scratch) / "warm")  # compiled code is loaded
        started, cpu = time.perf_counter(), time.process_time()
        run = write_scene(scenes.get(SCENE).with_(frames=frames, size=SIZE_PX), Path(scratch) / "run")
        cpu_s, wall_s = time.process_time() - cpu, time.perf_counter() - started
        size_mb = run.stat().st_size / 1e6
    return {
        "frames": frames,
        "cpu_ms_per_frame": round(1000 * cpu_s / frames, 2),
        "frames_per_cpu_second": round(frames / cpu_s, 1),
        "wall_s": round(wall_s, 1),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "file_mb": round(size_mb, 1),
    }


def main() -> None:
    """Measure each length and save the figures beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("frames", nargs="*", type=int, default=[300, 3000])
    parser.add_argument("--one", type=int, help="write one length and print its figures")
    options = parser.parse_args()
    if options.one:
        print(json.dumps(write_once(options.one)))
        return
    rows = []
    for frames in options.frames:
        done = subprocess.run(
            [sys.executable, __file__, "--one", str(frames)], check=True, stdout=subprocess.PIPE, text=True
        )
        rows.append(json.loads(done.stdout))
        print(rows[-1])
    report = {
        "scene": SCENE,
        "size_px": SIZE_PX,
        "encoding": "jpeg",
        "cores": os.cpu_count(),
        "load_at_end": round(os.getloadavg()[0], 1),
        "runs": rows,
    }
    (HERE / "writing_speed.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
