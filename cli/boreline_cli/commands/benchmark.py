"""`boreline benchmark`: speed and accuracy, measured."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.commands import benchmark_reader, benchmark_studies
from boreline_cli.output import Json, print_json, print_line, print_table

app = typer.Typer(help="Speed, segmenters, readers and agreement, measured.", no_args_is_help=True)


def register(root: typer.Typer) -> None:
    """Add the command group to `root`."""
    benchmark_studies.add_to(app)
    benchmark_reader.add_to(app)
    root.add_typer(app, name="benchmark")


@app.command()
def speed(
    frames: Annotated[int, typer.Option(help="Frames of the synthetic run.", min=50)] = 600,
    threads: Annotated[int, typer.Option(help="Worker threads.", min=1)] = 2,
    segmenter: Annotated[str, typer.Option(help="Which segmenter.")] = "speckle-surfaces",
    memory: Annotated[bool, typer.Option(help="Also measure peak memory at 500 and 3,000 frames.")] = True,
    as_json: Json = False,
) -> None:
    """Time the whole analysis against the floor: locate, decode and resample each frame once.

    Example: boreline benchmark speed
    """
    from boreline.benchmark.speed import MEMORY_FRAMES, as_record, measure_speed, peak_memory_mb

    found = measure_speed(frames, threads=threads, segmenter=segmenter)
    peaks = {n: peak_memory_mb(n, threads=threads, segmenter=segmenter) for n in MEMORY_FRAMES} if memory else {}
    if as_json:
        print_json(as_record(found, peaks))
        return
    print_line(f"floor            {found.floor_ms:7.2f} ms CPU per frame (locate, decode grey, one remap)")
    print_line(f"whole analysis   {found.analysis_ms:7.2f} ms CPU per frame, {found.n_frames} frames")
    print_line(f"ratio            {found.ratio:7.2f}")
    print_line(f"frames per s     {found.frames_per_s:7.0f} with {found.threads} threads")
    for n, peak in peaks.items():
        print_line(f"peak memory      {peak:7.0f} MB at {n} frames")


@app.command()
def segmenters(
    scenes: Annotated[
        list[str], typer.Argument(help="Scenes, random:SEED, labelled folders, or the sets tuning, reporting.")
    ],
    out: Annotated[Path, typer.Option("--out", help="New folder for tables and the page.")],
    only: Annotated[list[str] | None, typer.Option("--segmenter", help="Only this segmenter; repeatable.")] = None,
    command: Annotated[
        list[str] | None, typer.Option(help="A program that takes a folder with frames.npy; repeatable.")
    ] = None,
    frames: Annotated[int | None, typer.Option(help="Frames per scene.", min=1)] = None,
    threads: Annotated[int, typer.Option(help="Worker threads.", min=1)] = 1,
    as_json: Json = False,
) -> None:
    """Measure segmenters against truth.

    Example: boreline benchmark segmenters vessel random:7 --frames 60 --out benchmark
    """
    from boreline.benchmark.cases import find_cases
    from boreline.benchmark.external import ExternalCommand
    from boreline.benchmark.run_segmenters import run_benchmark
    from boreline.segmentation.protocol import load_segmenter, segmenter_names

    names = only or ([] if command else list(segmenter_names()))
    chosen = [load_segmenter(name) for name in names] + [ExternalCommand(text) for text in command or []]
    result = run_benchmark(find_cases(scenes, frames), chosen, out, threads=threads)
    if as_json:
        print_json(result.record())
        return
    print_table("by difficulty", *result.table())
    print_table("smallest lumen (MLA)", *result.mla_table())
    print_line(f"{out / 'index.html'}")
