"""`boreline import-contours`: a DICOM Segmentation back as contours."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.options import ResultDir
from boreline_cli.output import Json, print_json, print_line


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command(name="import-contours")
    def import_contours(
        folder: ResultDir,
        file: Annotated[Path, typer.Argument(metavar="FILE.dcm", help="A binary DICOM Segmentation of the run.")],
        key: Annotated[
            Path | None, typer.Option("--key", metavar="FILE", help="Secret key of the pseudonyms in FILE.dcm.")
        ] = None,
        any_source: Annotated[
            bool, typer.Option("--any-source", help="Take it although it names another run.")
        ] = False,
        as_json: Json = False,
    ) -> None:
        """Replace contours by those of a segmentation, and measure again.

        Example: boreline import-contours results/case1 corrected_seg.dcm
        """
        from boreline.workflow.import_contours import import_contours as run_import

        result = run_import(folder, file, key_file=key, any_source=any_source)
        if as_json:
            print_json({"frames": result.n_frames, "ignored": list(result.ignored)})
            return
        for structure, count in result.n_frames.items():
            print_line(f"{structure}: {count} frames imported")
        for label in result.ignored:
            print_line(f"note: segment {label!r} was not understood and left out")
