"""`boreline plan`: landing sites, length and every sizing method side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.commands.rules import number_text
from boreline_cli.output import Json, print_json, print_line, print_table


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def plan(
        folder: Annotated[Path, typer.Argument(metavar="DIR", help="A result folder of 'boreline analyse'.")],
        distal: Annotated[
            float | None,
            typer.Option(metavar="MM", help="Distal landing site, mm along the vessel; proposed if absent."),
        ] = None,
        proximal: Annotated[
            float | None, typer.Option(metavar="MM", help="Proximal landing site, mm; proposed if absent.")
        ] = None,
        devices: Annotated[
            Path | None,
            typer.Option(
                metavar="CSV",
                help="Your devices: diameter_mm,length_mm,post_dilatation_limit_mm (the last may be empty).",
            ),
        ] = None,
        nodule: Annotated[
            bool | None, typer.Option("--nodule/--no-nodule", help="A calcified nodule was (not) seen.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Propose landing sites and size a device by every published method, side by side.

        Example: boreline plan RESULTS --distal 12.5 --proximal 38 --devices devices.csv
        """
        from boreline.workflow.plan import plan_folder

        document = plan_folder(folder, distal_mm=distal, proximal_mm=proximal, devices=devices, nodule=nodule)
        if as_json:
            print_json(document)
            return
        _print(document)


def _print(document: dict[str, Any]) -> None:
    rows = [_site_row(side, document) for side in ("distal", "proximal") if side in document["landing_sites"]]
    columns = ["side", "landing mm", "frame", "reference mm", "lumen mm2", "EEM mm2", "burden %"]
    print_table("landing sites and their references", columns, rows)
    print_line()
    print_line(_length_text(document))
    lesion = document["lesion"]
    if lesion is not None:
        print_line(
            f"Lesion {lesion['from_mm']:.1f} to {lesion['to_mm']:.1f} mm ({lesion['definition']}); MLA "
            f"{lesion['mla_read_mm2']:.2f} mm2 as read, {lesion['mla_corrected_mm2']:.2f} mm2 corrected for the "
            f"minimum of noisy frames ({lesion['mla_definition']})."
        )
    print_line()
    print_table(
        "diameters by method",
        ["method", "measured mm", "size mm", "rounding", "what it rests on"],
        [_method_row(method) for method in document["methods"]],
    )
    print_line()
    targets = [
        [t["id"], number_text(t["msa_mm2"], "mm2"), number_text(t["equivalent_diameter_mm"], "mm"), t["title"]]
        for t in document["targets"]
        if t["msa_mm2"] is not None
    ]
    print_table("stent area that each criterion would ask for", ["criterion", "area", "as a circle", "rule"], targets)
    print_line()
    for note in document["notes"]:
        print_line(f"- {note}")
    print_line()
    print_line(document["caution"])


def _site_row(side: str, document: dict[str, Any]) -> list[str]:
    site, reference = document["landing_sites"][side], document["references"][side] or {}
    return [
        side,
        f"{site['position_mm']:.1f}",
        str(site["frame"]),
        number_text(reference.get("position_mm")),
        number_text(reference.get("lumen_area_mm2")),
        number_text(reference.get("eem_area_mm2")),
        number_text(reference.get("plaque_burden_pct")),
    ]


def _length_text(document: dict[str, Any]) -> str:
    if document["length_mm"] is None:
        return "No length: it needs both landing sites."
    sd = document["length_sd_mm"]
    spread = "" if sd is None else f" (standard uncertainty {sd:.1f} mm)"
    lengths = document["device_length"]["lengths_mm"]
    device = " + ".join(f"{length:g}" for length in lengths)
    return f"Length {document['length_mm']:.1f} mm{spread}; device length {device or 'none'} mm."


def _method_row(method: dict[str, Any]) -> list[str]:
    low, high = method["measured_low_mm"], method["measured_high_mm"]
    measured = number_text(method["measured_mm"])
    if low is not None and high is not None:
        measured += f" ({low:.2f} to {high:.2f})"
    return [
        method["id"] + (" (balloon)" if method["for"] == "balloon" else ""),
        measured,
        number_text(method["diameter_mm"]),
        method["remark"] or method["rounding"],
        method["title"],
    ]
