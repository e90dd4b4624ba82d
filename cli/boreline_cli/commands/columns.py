"""`boreline columns`: the data dictionary."""

from __future__ import annotations

import typer

from boreline_cli.output import Json, print_json, print_line, print_table


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def columns(as_json: Json = False) -> None:
        """Print the data dictionary: every table, column, unit and flag.

        Example: boreline columns
        """
        from boreline.columns import TABLES
        from boreline.flags import Flag

        if as_json:
            print_json(
                {
                    "tables": {
                        table.file: [
                            {"name": c.name, "type": c.kind.value, "unit": c.unit, "meaning": c.meaning}
                            for c in table.columns
                        ]
                        for table in TABLES
                    },
                    "flags": {flag.value: flag.meaning for flag in Flag},
                }
            )
            return
        for table in TABLES:
            rows = [[c.name, c.kind.value, c.unit, c.meaning] for c in table.columns]
            print_table(f"{table.file}: {table.meaning}", ["column", "type", "unit", "meaning"], rows)
            print_line()
        print_table("flags", ["word", "meaning"], [[flag.value, flag.meaning] for flag in Flag])
