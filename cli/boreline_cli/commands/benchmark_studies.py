"""`boreline benchmark agreement` and `boreline benchmark calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import Json, print_json, print_line, print_table


def add_to(app: typer.Typer) -> None:
    """Add the commands to the benchmark group."""

    @app.command()
    def agreement(
        first: Annotated[Path, typer.Argument(metavar="A", help="A result folder, or a folder of them.")],
        second: Annotated[Path, typer.Argument(metavar="B", help="The other reading of the same runs.")],
        out: Annotated[Path, typer.Option("--out", help="New folder for tables and the page.")],
        reviewed_only: Annotated[
            bool, typer.Option(help="Only frames that the second reading's operator saw.")
        ] = False,
        as_json: Json = False,
    ) -> None:
        """Compare two readings of the same runs: limits of agreement, correlation, overlap, distance.

        Example: boreline benchmark agreement automatic/ reader1/ --out agreement
        """
        from boreline.benchmark.agreement_page import write_agreement
        from boreline.results import json_ready

        table = write_agreement(first, second, out, reviewed_only=reviewed_only)
        rows = table.to_dict("records")
        if as_json:
            print_json(json_ready({"agreement": rows, "page": str(out / "index.html")}))
            return
        print_table(
            "first minus second",
            ["structure", "level", "quantity", "value", "low", "high", "n"],
            [
                [str(r["structure"]), str(r["level"]), str(r["quantity"])]
                + [f"{r[name]:.4g}" for name in ("value", "low", "high")]
                + [str(r["n"])]
                for r in rows
            ],
        )
        print_line(str(out / "index.html"))

    @app.command()
    def calibrate(
        sections: Annotated[
            Path,
            typer.Argument(
                metavar="SECTIONS.csv",
                help="Columns folder, first_frame, last_frame, diameter_mm: result folders and known inner diameters.",
            ),
        ],
        out: Annotated[Path, typer.Option("--out", metavar="FILE.toml", help="Where the equation is written.")],
        catheter: Annotated[str, typer.Option(help="What you call the catheter.")] = "unnamed",
        temperature_c: Annotated[float | None, typer.Option(help="Temperature of the bench water.")] = None,
        as_json: Json = False,
    ) -> None:
        """Fit a catheter's scale to pullbacks of a bench phantom with known sections.

        Example: boreline benchmark calibrate sections.csv --out catheter.toml
        """
        from dataclasses import asdict

        from boreline.benchmark.scale import calibrate as fit
        from boreline.benchmark.scale import read_sections, write_scale

        equation = fit(read_sections(sections), catheter=catheter, temperature_c=temperature_c)
        write_scale(equation, out)
        if as_json:
            print_json(asdict(equation))
            return
        print_line(
            f"true = {equation.factor:.5f} x measured (sd {equation.factor_sd:.5f}, {equation.n_sections} sections)"
        )
        print_line(f"sections scatter by {equation.residual_sd_mm:.3f} mm about the line")
        if equation.intercept_p < 0.05:
            print_line(
                f"warning: a free line has an intercept of {equation.intercept_mm:+.3f} mm "
                f"(p = {equation.intercept_p:.3f}): a scale alone does not mend this catheter"
            )
        print_line(f"use it with: boreline analyse RUN.dcm --out DIR --calibration {out}")
