"""`boreline export`: DICOM objects and tables for other systems."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.options import ResultDir
from boreline_cli.output import Json, print_json, print_line


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def export(
        folder: ResultDir,
        out: Annotated[
            Path | None, typer.Option("--out", metavar="NEW", help="A new folder instead of DIR itself.")
        ] = None,
        keep_identity: Annotated[
            bool, typer.Option("--keep-identity", help="Write the DICOM objects into the source's patient and study.")
        ] = False,
        key: Annotated[
            Path | None, typer.Option("--key", metavar="FILE", help="Secret key of the pseudonyms (16 bytes or more).")
        ] = None,
        source: Annotated[
            Path | None, typer.Option("--source", metavar="RUN.dcm", help="The run's DICOM file when it moved.")
        ] = None,
        netcdf: Annotated[
            bool, typer.Option("--netcdf", help="Write tables and contours as NetCDF as well, for labelled arrays.")
        ] = False,
        as_json: Json = False,
    ) -> None:
        """Write DICOM SEG and SR, tables with their dictionary, and sources; pseudonymous unless told otherwise.

        Example: boreline export results/case1 --out for-the-archive
        """
        from boreline.workflow.export import export as write

        result = write(folder, out, source=source, keep_identity=keep_identity, key_file=key, netcdf=netcdf)
        if as_json:
            print_json(
                {
                    "folder": str(result.folder),
                    "files": [str(path) for path in result.files],
                    "identity_kept": result.identity_kept,
                    "notes": list(result.notes),
                }
            )
            return
        for path in result.files:
            print_line(str(path))
        print_line("identity: the source's own" if result.identity_kept else "identity: pseudonymous")
        for note in result.notes:
            print_line(f"note: {note}")
