"""`boreline reanalyse`: the same source by today's version, with the operators' edits carried over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.options import CalibrationFile, MmPerPixel, PullbackSpeed, ResultDir, Threads, parse_mm_per_px
from boreline_cli.output import Json, print_json, print_line, progress_bar


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def reanalyse(
        folder: ResultDir,
        mm_per_pixel: MmPerPixel = None,
        pullback_speed: PullbackSpeed = None,
        calibration: CalibrationFile = None,
        segmenter: Annotated[str | None, typer.Option("--segmenter", help="Name of another segmenter.")] = None,
        source: Annotated[
            Path | None, typer.Option("--source", metavar="RUN.dcm", help="Where the run's pixels are now.")
        ] = None,
        threads: Threads = 2,
        as_json: Json = False,
    ) -> None:
        """Analyse the run of a result folder again; edits are carried over and differences shown.

        Options that are not given keep the values recorded in the folder, a catheter's scale equation included.
        Positions from co-registration are kept unless an option changes them.

        Example: boreline reanalyse results/case1
        """
        from boreline.workflow.reanalyse import reanalyse as reanalyse_folder

        given = {
            "mm_per_px": parse_mm_per_px(mm_per_pixel),
            "pullback_speed_mm_s": pullback_speed,
            "calibration_file": calibration,
            "segmenter": segmenter,
        }
        with progress_bar("frames") as progress:
            result = reanalyse_folder(
                folder,
                {name: value for name, value in given.items() if value is not None},
                source=source,
                threads=threads,
                progress=progress,
            )
        if as_json:
            print_json(result.report)
            return
        for line in _lines(result.report):
            print_line(line)


def _lines(report: dict[str, Any]) -> list[str]:
    from boreline_cli.commands.review import report_lines

    before, after = report["segmenter"]["before"], report["segmenter"]["after"]
    lines = [f"segmenter {before['name']} {before['version']} -> {after['name']} {after['version']}"]
    for what in ("automatic", "current"):
        for row in report[what]:
            jaccard = "-" if row["median_jaccard"] is None else f"{row['median_jaccard']:.4f}"
            lines.append(
                f"{what} {row['structure']}: {row['n_different']} of "
                f"{row['n_both'] + row['n_only_first'] + row['n_only_second']} frames differ, median Jaccard {jaccard}"
            )
    if report["edits"] is not None:
        lines += report_lines(report["edits"])
    if report["positions"] == "carried":
        lines.append("positions from co-registration were carried over")
    lines += [f"{name} was left behind: make it again" for name in report["to_do_again"]]
    return lines
