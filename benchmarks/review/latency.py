"""How quickly the review page answers: run it on a quiet machine, results are written beside it.

    python benchmarks/review/latency.py [--frames 3000] [--size 512] [--steps 3000] [--folder DIR]

Each drawn frame carries its number as black and white squares. The bench reads them back from the page's canvas in
every animation frame, so 'painted' means that the right pixels were up; a time runs from the key event to the
animation frame after that. Keys are dispatched in the page, so the time from keyboard to browser is not included.
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

import numpy as np
import psutil
from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "tests" / "review"))
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]

PAGE_SIDE = """
() => {
  const canvas = document.querySelector('.picture canvas'), c = canvas.getContext('2d');
  const number = () => {
    const row = c.getImageData(0, 4, 13 * 8, 1).data; let n = 0;
    for (let bit = 0; bit < 13; bit++) if (row[4 * (bit * 8 + 4)] > 128) n |= 1 << bit;
    return n + 1;
  };
  const key = (k, more = {}) => press(new KeyboardEvent('keydown', {key: k, bubbles: true, ...more}));
  const press = (e) => document.querySelector('.picture').dispatchEvent(e);
  const until = (done, since, limit = 5000) => new Promise((resolve) => {
    const look = () => {
      const now = performance.now();
      if (done()) requestAnimationFrame(() => resolve(performance.now() - since));
      else if (now - since > limit) resolve(NaN);
      else requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  });
  const pause = (ms) => new Promise((r) => setTimeout(r, ms));
  const shown = () => Number(document.querySelector('#numbers dd').textContent.split(' ')[0]);
  window.bench = {
    number, pause, shown,
    steps: async (n, gap) => {
      const out = [];
      for (let i = 0; i < n; i++) {
        const target = shown() + 1, t = performance.now();
        key('ArrowDown'); out.push(await until(() => number() === target, t)); await pause(gap);
      }
      return out;
    },
    jumps: async (targets) => {
      const out = [];
      const along = document.querySelector('#along');
      const over = document.querySelector('.u-over').getBoundingClientRect();
      for (const share of targets) {
        const before = number(), t = performance.now();
        const place = {clientX: over.left + 5, clientY: over.top + share * over.height};
        along.dispatchEvent(new MouseEvent('click', {bubbles: true, ...place}));
        out.push(await until(() => number() !== before, t)); await pause(400);
      }
      return out;
    },
    held: async (n, period) => {
      const seen = new Set(), start = shown(); let running = true;
      const watch = () => { seen.add(number()); if (running) requestAnimationFrame(watch); }; watch();
      for (let i = 0; i < n; i++) { key('ArrowDown', {repeat: i > 0}); await pause(period); }
      const lag = await until(() => number() === start + n, performance.now());
      running = false;
      return {distinct: seen.size - 1, lag_ms: lag};
    },
    edits: async (n) => {
      const out = [];
      const d = () => document.querySelector('path.line.lumen')?.getAttribute('d');
      for (let i = 0; i < n; i++) {
        const before = d(), t = performance.now();
        key(i % 2 ? '-' : '+'); out.push(await until(() => d() && d() !== before, t)); await pause(600);
      }
      return out;
    },
    run: async (n) => {
      for (let i = 0; i < n; i++) { key('ArrowDown'); if (i % 3 === 0) await new Promise(requestAnimationFrame); }
    },
  };
}
"""


def spread(values: list[float]) -> dict[str, float | int]:
    """Percentiles of the times that were measured."""
    known = np.array([v for v in values if v is not None and np.isfinite(v)])
    return {
        "n": len(values),
        "missed": len(values) - len(known),
        "p50_ms": round(float(np.percentile(known, 50)), 1),
        "p95_ms": round(float(np.percentile(known, 95)), 1),
    }


def renderer_mb() -> float:
    """Resident memory of this bench's largest browser process."""
    children = psutil.Process().children(recursive=True)
    sizes = [c.memory_info().rss for c in children if "--type=renderer" in " ".join(c.cmdline())]
    return round(max(sizes, default=0) / 2**20, 1)


def cpu_s(pid: int) -> float:
    """Processor time that a process has used: unlike latency it hardly depends on what else the machine does."""
    times = psutil.Process(pid).cpu_times()
    return times.user + times.system


def measure(folder: Path, steps: int) -> dict[str, Any]:
    """Everything, against a server of its own."""
    command = [sys.executable, "-m", "boreline_cli.main", "review", str(folder), "--no-browser", "--reader", "bench"]
    started = time.perf_counter()
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        out: dict[str, Any] = {"server_ready_s": round(time.perf_counter() - started, 2)}
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            loads = []
            for _ in range(3):
                page.goto("about:blank")
                before = time.perf_counter()
                page.goto(url)
                page.locator("canvas[data-frame='1']").wait_for()
                loads.append(time.perf_counter() - before)
            out["load_to_first_frame_s"] = [round(v, 2) for v in loads]
            page.locator("#sites tbody tr").first.wait_for(timeout=30_000)
            page.locator("#cut-words").wait_for(state="hidden", timeout=120_000)  # an analysed folder holds its cut
            page.wait_for_timeout(2000)
            page.evaluate(PAGE_SIDE)
            out["page_mb_after_load"] = renderer_mb()
            out["step"] = spread(page.evaluate("bench.steps(100, 120)"))
            shares = [float(v) for v in np.random.default_rng(1).uniform(0.05, 0.95, 20)]
            out["jump"] = spread(page.evaluate("(s) => bench.jumps(s)", shares))
            page.keyboard.press("Home")
            page.wait_for_timeout(1000)
            out["held_90_keys_at_30_hz"] = page.evaluate("bench.held(90, 33.3)")
            before = cpu_s(server.pid)
            out["edit"] = spread(page.evaluate("bench.edits(20)"))
            page.wait_for_timeout(1500)  # the figures that follow each edit belong to it
            out["edit_server_cpu_ms"] = round(1000 * (cpu_s(server.pid) - before) / 20, 1)
            page.keyboard.press("Home")
            page.wait_for_timeout(12_000)  # let the tables be written
            out["server_mb_after_edits"] = round(psutil.Process(server.pid).memory_info().rss / 2**20, 1)
            memory = []
            for _ in range(3):
                page.evaluate("(n) => bench.run(n)", steps // 3)
                page.wait_for_timeout(1500)
                memory.append(renderer_mb())
            out[f"page_mb_over_{steps}_steps"] = memory
            out["server_mb"] = round(psutil.Process(server.pid).memory_info().rss / 2**20, 1)
            browser.close()
        return out
    finally:
        server.terminate()
        server.wait(30)


def main() -> None:
    """Measure and write the figures beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=3000)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--steps", type=int, default=3000)
    parser.add_argument("--folder", type=Path, help="a folder made earlier by this bench")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder
        if folder is None:
            from folders import make_folder

            folder = make_folder(Path(scratch) / "run", n_frames=options.frames, size=options.size, jpeg=True)
        result = measure(folder, options.steps)
    result |= {
        "frames": options.frames,
        "size": options.size,
        "cores": os.cpu_count(),
        "load_average": [round(v, 1) for v in os.getloadavg()],
        "python": platform.python_version(),
    }
    target = HERE / f"latency_{options.frames}x{options.size}.json"
    target.write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
