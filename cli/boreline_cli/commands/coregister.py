"""`boreline coregister`: millimetres from fluoroscopy and cine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline.errors import InputRefused
from boreline_cli.options import ResultDir
from boreline_cli.output import Json, print_json, print_line


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def coregister(
        folder: ResultDir,
        fluoro: Annotated[
            Path, typer.Option("--fluoro", metavar="F.dcm", help="Fluoroscopy taken during the pullback.")
        ],
        cine: Annotated[Path, typer.Option("--cine", metavar="C.dcm", help="Contrast cine in the same view.")],
        cine2: Annotated[
            Path | None, typer.Option("--cine2", metavar="D.dcm", help="Contrast cine in a second view: true length.")
        ] = None,
        offset: Annotated[
            float | None,
            typer.Option(
                "--offset",
                metavar="S",
                help="Seconds from the first IVUS to the first fluoroscopy frame; beats clocks.",
            ),
        ] = None,
        marker: Annotated[
            list[str] | None,
            typer.Option(
                "--marker", metavar="FRAME,X,Y", help="The marker's place in a fluoroscopy frame; repeatable."
            ),
        ] = None,
        ends: Annotated[
            str | None,
            typer.Option("--ends", metavar="X,Y,X,Y", help="Distal and proximal end of the vessel on the cine frame."),
        ] = None,
        xray_mm_per_pixel: Annotated[
            float | None, typer.Option("--xray-mm-per-pixel", metavar="MM", help="X-ray scale, instead of the file's.")
        ] = None,
        guide: Annotated[
            str | None,
            typer.Option(
                "--guide",
                metavar="FRENCH,X,Y",
                help="Size of the guide catheter and a place on it in the first cine frame: its width gives the scale.",
            ),
        ] = None,
        vasodilator: Annotated[
            bool | None, typer.Option("--vasodilator/--no-vasodilator", help="A note: was one given before imaging?")
        ] = None,
        source: Annotated[
            Path | None, typer.Option("--source", metavar="RUN.dcm", help="The IVUS run, when it was moved.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Place each frame along the vessel by the marker in fluoroscopy and the path in a contrast cine.

        Example: boreline coregister results/case1 --fluoro fluoro.dcm --cine cine.dcm
        """
        from boreline.workflow.coregister import CoregisterOptions
        from boreline.workflow.coregister import coregister as place

        corners = None if ends is None else _numbers(ends, 4, "--ends")
        tube = None if guide is None else _numbers(guide, 3, "--guide")
        options = CoregisterOptions(
            offset_s=offset,
            clicks=_clicks(marker or []),
            ends_px=None if corners is None else ((corners[0], corners[1]), (corners[2], corners[3])),
            xray_mm_per_px=xray_mm_per_pixel,
            guide=None if tube is None else (tube[0], (tube[1], tube[2])),
            vasodilator=vasodilator,
            source=source,
        )
        result = place(folder, fluoro, cine, cine2, options)
        record = result.record
        if as_json:
            print_json({"axis": record["axis"], "coregistration": record["coregistration"]})
            return
        found = record["coregistration"]
        print_line(f"{folder}: {record['axis']['detail']}")
        print_line(f"marker seen in {found['marker']['seen_share']:.0%} of the fluoroscopy frames")
        if found["lower_bound"]:
            print_line(
                f"lengths are lower bounds: one view shortens by {found['typical_shortfall']:.0%} on average; "
                "add --cine2 for true length"
            )
        landmarks = found["landmarks"]
        if landmarks["mean_leave_one_out_mm"] is None:
            print_line("fewer than two landmarks were found in both pictures: the registration could not be tested")
        else:
            words = " and ".join(sorted({kind.replace("_", " ") for kind in landmarks["kinds"]}))
            print_line(
                f"{len(landmarks['kinds'])} landmarks ({words}) agree to "
                f"{landmarks['mean_leave_one_out_mm']:.1f} mm on average (each left out in turn)"
            )
        for line in found["warnings"]:
            print_line(f"warning: {line}")
        print_line(f"see {folder / found['figure']} and {folder / 'report.html'}")


def _clicks(texts: list[str]) -> dict[int, tuple[float, float]]:
    clicks = {}
    for text in texts:
        frame, x, y = _numbers(text, 3, "--marker")
        if frame < 1 or frame != int(frame):
            raise InputRefused(f"{text!r} names no frame", tag="--marker", remedy="count frames from 1")
        clicks[int(frame)] = (x, y)
    return clicks


def _numbers(text: str, count: int, option: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        raise InputRefused(
            f"{text!r} is not {count} numbers with commas between",
            tag=option,
            remedy=f"type them as in {','.join(['120', '88', '301', '240'][:count])}",
        )
    return numbers
