"""`boreline benchmark agreement`, `boreline benchmark study` and `boreline benchmark calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

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
        print_table("first minus second", *_agreement_rows(table))
        print_line(str(out / "index.html"))

    @app.command()
    def study(
        folder: Annotated[
            Path, typer.Argument(metavar="RESULTS|STUDY", help="Result folders to read, or a study laid out before.")
        ],
        out: Annotated[Path | None, typer.Option("--out", metavar="STUDY", help="Lay out a new study here.")] = None,
        reader: Annotated[
            list[str] | None, typer.Option("--reader", metavar="NAME", help="Who reads; repeatable.")
        ] = None,
        repeats: Annotated[float, typer.Option(metavar="SHARE", help="Share of the runs that come twice.")] = 0.2,
        seed: Annotated[int, typer.Option(min=0, help="Of the orders and repeats.")] = 1,
        collect: Annotated[bool, typer.Option("--collect", help="Compare the readings so far.")] = False,
        adjudicator: Annotated[
            str | None, typer.Option(metavar="NAME", help="Lay out the runs in dispute for a further reader.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Lay out a blinded reading study, or gather its readings.

        Example: boreline benchmark study batch/runs --out study --reader ann --reader ben
        then: boreline review study/ann/* --reader ann
        then: boreline benchmark study study --collect
        """
        from boreline.benchmark.study import collect_study, prepare_adjudication, prepare_study
        from boreline.errors import InputRefused
        from boreline.results import json_ready

        if (out is not None) + collect + (adjudicator is not None) != 1:
            raise InputRefused(
                "say one of --out STUDY, --collect, --adjudicator NAME",
                tag="benchmark study",
                remedy="see boreline benchmark study --help",
            )
        if collect:
            found = collect_study(folder)
            tables = {"agreement": found.agreement, "disagreements": found.disagreements}
            if as_json:
                print_json(
                    json_ready({name: t.to_dict("records") for name, t in tables.items()} | {"unread": found.unread})
                )
                return
            print_table("first minus second", *_agreement_rows(found.agreement, "kind", "readers"))
            for name in found.unread:
                print_line(f"not read yet: {name}")
            print_line(f"{len(found.disagreements)} frames in dispute: {folder / 'disagreements.csv'}")
            return
        if out is not None:
            readings = prepare_study(folder, out, reader or [], repeated_share=repeats, seed=seed)
        else:
            readings, out = prepare_adjudication(folder, str(adjudicator)), folder
        names = sorted({reading.reader for reading in readings})
        if as_json:
            counts = {name: sum(r.reader == name for r in readings) for name in names}
            print_json({"readings": counts, "study": str(out)})
            return
        for name in names:
            print_line(f"boreline review {out / name}/* --reader {name}")
        print_line(f"keep {out / 'key.json'} from the readers")

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


def _agreement_rows(table: Any, *more: str) -> tuple[list[str], list[list[str]]]:
    """Columns and cells of an agreement table."""
    words, numbers = [*more, "structure", "level", "quantity"], ["value", "low", "high"]
    rows = [
        [str(row[name]) for name in words] + [f"{row[name]:.4g}" for name in numbers] + [str(row["n"])]
        for row in table.to_dict("records")
    ]
    return [*words, *numbers, "n"], rows
