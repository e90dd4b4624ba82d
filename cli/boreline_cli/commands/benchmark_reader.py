"""`boreline benchmark reader`: the effort of correcting runs in the order of the review page's queue."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from boreline_cli.output import Json, print_json, print_table


def add_to(app: typer.Typer) -> None:
    """Add the command to the benchmark group."""

    @app.command()
    def reader(
        scenes: Annotated[
            list[str], typer.Argument(help="Scenes, random:SEED, labelled folders, or the sets tuning, reporting.")
        ],
        segmenter: Annotated[str | None, typer.Option("--segmenter", help="Which segmenter.")] = None,
        frames: Annotated[int | None, typer.Option(help="Frames per scene.", min=1)] = None,
        threads: Annotated[int, typer.Option(help="Worker threads.", min=1)] = 1,
        as_json: Json = False,
    ) -> None:
        """Let a scripted reader correct what the queue offers until the mean lumen overlap is 0.95.

        Example: boreline benchmark reader vessel random:7 --frames 200
        """
        from boreline.benchmark.cases import find_cases
        from boreline.benchmark.reader import measure_reader, summary_rows
        from boreline.segmentation.protocol import DEFAULT_SEGMENTER, load_segmenter

        efforts = measure_reader(
            find_cases(scenes, frames),
            load_segmenter(segmenter or DEFAULT_SEGMENTER),
            threads=threads,
            tell=lambda name: _tell(name),
        )
        if as_json:
            print_json({"reader": [effort.as_json() for effort in efforts]})
            return
        print_table("a scripted reader, lumen", *summary_rows(efforts))


def _tell(name: str) -> None:
    if sys.stderr.isatty():
        sys.stderr.write(f"{name}\n")
