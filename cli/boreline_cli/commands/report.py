"""`boreline report`: the page of a folder, or of the runs of one vessel."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import Json, print_json, print_line


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def report(
        where: Annotated[
            list[Path], typer.Argument(metavar="DIR...", help="Result folders of one vessel, or one case.toml.")
        ],
        out: Annotated[Path | None, typer.Option("--out", metavar="FILE.html", help="Where to write the page.")] = None,
        pdf: Annotated[bool, typer.Option("--pdf", help="Print it to PDF as well (needs Chromium).")] = False,
        source: Annotated[
            Path | None, typer.Option("--source", metavar="RUN.dcm", help="The run's DICOM file when it moved.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Write the report page: one file, readable offline, without names or dates of the source.

        A case.toml lists the runs of one vessel, and places that you identified in the first and the last:

        \b
        [\\[run]]
        folder = "before"
        phase = "before"
        [\\[run]]
        folder = "after"
        phase = "implanted"
        [\\[fiducial]]
        before_mm = 12.4
        after_mm = 11.8

        Example: boreline report results/before results/after --pdf
        """  # noqa: D301 (a backspace keeps the lines that follow apart)
        from boreline.workflow.report import report as write

        result = write(where, out=out, pdf=pdf, source=source)
        if as_json:
            print_json(
                {
                    "page": str(result.page),
                    "pdf": None if result.pdf is None else str(result.pdf),
                    "notes": list(result.notes),
                }
            )
            return
        for note in result.notes:
            print_line(f"note: {note}")
        for path in (result.page, result.pdf):
            if path is not None:
                print_line(str(path))
