"""A segmenter that is any command: frames and a small JSON in, `contours.parquet` out.

The command is called with one folder. It finds there ``frames.npy`` (n_frames, rows, columns; uint8) and ``run.json``
(``mm_per_px`` [x, y], ``region`` [x0, y0, x1, y1], ``centre_px`` or null, ``times_s`` or null) and leaves
``contours.parquet`` with the columns of the data dictionary (frame from 1, structure, vertex, x_px,
y_px, seen, origin).
"""

from __future__ import annotations

import json
import shlex
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Run, Sectors, Segmentation, Structure
from boreline.results.tables import read_contours
from boreline.segmentation.protocol import Progress, no_progress


class ExternalCommand:
    """Runs `command FOLDER` for each run; confidence and uncertainty are unknown."""

    version = ""

    def __init__(self, command: str) -> None:
        self.command = shlex.split(command)
        if not self.command:
            raise InputRefused("the command is empty", tag="--command", remedy="give a program and its arguments")
        self.name = Path(self.command[-1]).stem

    def segment(self, run: Run, *, threads: int = 1, progress: Progress = no_progress) -> Segmentation:
        """See `boreline.segmentation.protocol.Segmenter`.

        Raises
        ------
        InputRefused
            The command fails or leaves no contours.
        """
        del threads
        n = run.n_frames
        with TemporaryDirectory(prefix="boreline-") as scratch:
            folder = Path(scratch)
            self._write(run, folder)
            try:
                done = subprocess.run([*self.command, str(folder)], capture_output=True, text=True, check=False)
            except OSError as error:
                raise InputRefused(
                    f"cannot run {self.command[0]!r}: {error}",
                    tag="--command",
                    remedy="give its full path, and make it executable",
                ) from None
            if done.returncode != 0:
                last = (done.stderr.strip().splitlines() or ["no message"])[-1]
                raise InputRefused(
                    f"{self.command[0]!r} ended with status {done.returncode}: {last}",
                    tag="--command",
                    remedy="run it on one case by hand",
                )
            contours = {structure: read_contours(folder / "contours.parquet", structure, n) for structure in Structure}
        progress(n, n)
        unknown = np.full(n, np.nan)
        return Segmentation(
            contours=contours,
            sectors=Sectors.empty(),
            confidence=dict.fromkeys(Structure, unknown),
            area_sd_mm2=dict.fromkeys(Structure, unknown),
            eem_hidden_deg=unknown,
            calcium_arc_deg=unknown,
            malapposition_mm=unknown,
            flags=(frozenset(),) * n,
        )

    @staticmethod
    def _write(run: Run, folder: Path) -> None:
        shape = (run.n_frames, run.source.rows, run.source.columns)
        frames = np.lib.format.open_memmap(folder / "frames.npy", mode="w+", dtype=np.uint8, shape=shape)
        for frame in run.frames():
            frames[frame.number] = 0 if frame.grey is None else frame.grey
        frames.flush()
        region, times = run.region, run.timing.times_s
        described = {
            "mm_per_px": [run.calibration.mm_per_px_x, run.calibration.mm_per_px_y],
            "region": [region.x0, region.y0, region.x1, region.y1],
            "centre_px": None if run.centre_px is None else list(run.centre_px),
            "times_s": None if times is None else times.tolist(),
        }
        (folder / "run.json").write_text(json.dumps(described), encoding="utf-8")
