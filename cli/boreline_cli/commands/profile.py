"""`boreline profile`: areas and volumes on all frames and on those of one cardiac phase."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.options import ResultDir
from boreline_cli.output import Json, print_json, print_line, print_table


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def profile(
        folder: ResultDir,
        start: Annotated[float | None, typer.Option("--from", metavar="MM", help="Distal end of the part.")] = None,
        stop: Annotated[float | None, typer.Option("--to", metavar="MM", help="Proximal end of the part.")] = None,
        table: Annotated[
            Path | None, typer.Option("--gated-table", metavar="FILE.csv", help="Write the gated profile there.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Compare areas and volumes on all frames with those on the frames of one cardiac phase.

        Example: boreline profile results/case1 --gated-table gated.csv
        """
        from boreline.workflow.gated import profiles

        found = profiles(folder, from_mm=start, to_mm=stop, table=table)
        if as_json:
            print_json(found)
            return
        both = found["all_frames"], found["gated_frames"]
        rows = [
            [name.replace("_", " "), *(_shown(part[name]) for part in both)]
            for name in ("frames", "rows_between_frames", "mean_lumen_area_mm2", "smallest_lumen_area_mm2")
        ]
        for rule in both[0]["volumes"]:
            rows += [
                [f"{name.replace('_', ' ')} ({rule})", *(_shown(part["volumes"][rule][name]) for part in both)]
                for name in ("lumen_mm3", "vessel_mm3", "plaque_mm3", "percent_atheroma_volume")
            ]
        title = f"{folder}: {found['from_mm']:.1f} to {found['to_mm']:.1f} mm"
        print_table(title, ["", "all frames", "gated frames"], rows)
        gating = found["gating"]
        print_line(f"gated by {gating['source']}: phase coherence {_shown(gating['coherence'])} ({gating['detail']})")
        if table is not None:
            print_line(f"the gated profile is in {table}")


def _shown(value: object) -> str:
    if value is None or value != value:  # NaN
        return ""
    return f"{value:.2f}" if isinstance(value, float) else str(value)
