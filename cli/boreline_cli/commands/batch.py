"""`boreline batch`: a whole archive."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import Json, print_json, print_line

EXIT_PARTLY = 1


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def batch(
        source: Annotated[
            Path,
            typer.Argument(
                metavar="FOLDER|LIST.csv", help="The archive (or its DICOMDIR), or a CSV that names its pullbacks."
            ),
        ],
        out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where results and tables go.")],
        pattern: Annotated[str, typer.Option("--pattern", help="Only paths that match, for example 'site1/*'.")] = "*",
        mapping: Annotated[
            Path | None,
            typer.Option("--mapping", metavar="MAP.csv", help="What is known of single pullbacks (file, fluoro, ...)."),
        ] = None,
        workers: Annotated[int, typer.Option("--workers", min=1, help="Runs analysed at a time on this machine.")] = 1,
        threads: Annotated[int, typer.Option("--threads", min=1, help="Threads of each run.")] = 1,
        scheduler: Annotated[
            str | None, typer.Option("--scheduler", metavar="ADDRESS", help="A Dask scheduler to use instead.")
        ] = None,
        config: Annotated[
            Path | None, typer.Option("--config", metavar="STUDY.toml", help="The study's settings.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Analyse a whole archive; run it again to resume, or after new runs arrived.

        Example: boreline batch archive/ --out study/ --workers 2

        STUDY.toml may set name, pseudonym_key, segmenter, mm_per_px (a pair),
        trust_region, whole_frames_only, frame_rate_hz, pullback_speed_mm_s,
        calibration_file, devices (a CSV as for 'boreline plan'), and in its
        section limits time_s and memory_mb of one run.

        MAP.csv has a column file and any of fluoro, cine, cine2, before,
        vessel, phase, mm_per_pixel_x, mm_per_pixel_y, pullback_speed_mm_s,
        balloon_mm.

        A plan or assessment that you make in a run's folder is kept when the
        batch is run again.
        """
        from boreline.batch.run import BatchOptions, run_batch
        from boreline.batch.study import read_study

        options = BatchOptions(pattern, mapping, workers, threads, scheduler)
        result = run_batch(source, out, read_study(config), options, progress=_Ticker())
        if as_json:
            print_json({"done": result.done, "failed": result.failed, "skipped": result.skipped, "out": str(out)})
        else:
            print_line(
                f"{result.done} runs done ({result.reused} from before), {result.failed} failed, see {out}/failures.csv"
            )
            print_line(f"{result.skipped} files were no pullbacks, see {out}/skipped.csv")
            print_line(f"cohort: {out}/cohort.html")
        if result.failed:
            raise typer.Exit(EXIT_PARTLY)


class _Ticker:
    """Progress on stderr: a line that rewrites itself on a terminal, nothing elsewhere."""

    def __init__(self) -> None:
        import time

        self._clock = time.monotonic
        self._started = self._clock()
        self._first: int | None = None

    def __call__(self, settled: int, total: int, _what: str) -> None:
        if not sys.stderr.isatty():
            return
        self._first = settled if self._first is None else self._first
        fresh = settled - self._first
        left_s = (self._clock() - self._started) / fresh * (total - settled) if fresh else None
        eta = "" if left_s is None else f", about {left_s / 60:.0f} min left"
        sys.stderr.write(f"\r{settled} of {total} runs{eta}   " + ("\n" if settled == total else ""))
        sys.stderr.flush()
