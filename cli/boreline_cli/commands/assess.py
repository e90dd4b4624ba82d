"""`boreline assess`: expansion after implantation by every criterion side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.commands.rules import BalloonTargets, Criteria, number_text, print_rule_records
from boreline_cli.output import Json, print_json, print_line, print_table


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def assess(
        folder: Annotated[Path, typer.Argument(metavar="DIR", help="A result folder of 'boreline analyse'.")],
        stent_from: Annotated[
            float | None, typer.Option(metavar="MM", help="Distal end of the stent, mm; detected if absent.")
        ] = None,
        stent_to: Annotated[float | None, typer.Option(metavar="MM", help="Proximal end of the stent, mm.")] = None,
        balloon: Annotated[
            float | None, typer.Option(metavar="MM", help="Nominal diameter of the last balloon.")
        ] = None,
        before: Annotated[
            Path | None,
            typer.Option(
                metavar="DIR|case.toml",
                help="The run before implantation, or a case file (see boreline report --help).",
            ),
        ] = None,
        dissection_depth: Annotated[
            str | None, typer.Option(metavar="DEPTH", help="none, intimal, medial, adventitial or haematoma.")
        ] = None,
        dissection_length: Annotated[float | None, typer.Option(metavar="MM", help="Length of the dissection.")] = None,
        dissection_arc: Annotated[float | None, typer.Option(metavar="DEG", help="Arc of the dissection.")] = None,
        dissection_side: Annotated[str | None, typer.Option(metavar="SIDE", help="proximal, distal or both.")] = None,
        effective_lumen: Annotated[
            float | None, typer.Option(metavar="MM2", help="True lumen beside the dissection's flap.")
        ] = None,
        criteria: Criteria = None,
        balloon_targets: BalloonTargets = None,
        as_json: Json = False,
    ) -> None:
        """Assess the expansion of an implanted stent by every published criterion, side by side.

        Example: boreline assess RESULTS --stent-from 12 --stent-to 40 --balloon 3.5
        """
        from boreline.workflow.assess import assess_folder

        stated: dict[str, float | str | None] = {
            "dissection_depth": dissection_depth,
            "dissection_length_mm": dissection_length,
            "dissection_arc_deg": dissection_arc,
            "dissection_side": dissection_side,
            "effective_lumen_mm2": effective_lumen,
        }
        document = assess_folder(
            folder,
            stent_from_mm=stent_from,
            stent_to_mm=stent_to,
            balloon_mm=balloon,
            before=before,
            stated={name: value for name, value in stated.items() if value is not None},
            criteria=criteria,
            balloon_targets=balloon_targets,
        )
        if as_json:
            print_json(document)
            return
        _print(document)


def _print(document: dict[str, Any]) -> None:
    stent = document["stent"]
    corrected = document["msa_corrected_mm2"]
    print_line(f"Stent {stent['from_mm']:.1f} to {stent['to_mm']:.1f} mm ({stent['by']}).")
    print_line(
        f"Smallest stent area along the profile (median of the frames at each tenth of a millimetre) "
        f"{document['msa_read_mm2']:.2f} mm2 as read, {number_text(corrected, 'mm2') or 'unknown'} corrected for the "
        "minimum of noisy frames."
    )
    print_line(f"Rules use the {document['rules_use']}.")
    _print_protrusion(document["tissue_protrusion"])
    for mark in document["operator_marks"]["inputs"]:
        used = "used" if mark["by"] == "mark" else f"overridden on the command line: {mark['used']}"
        print_line(f"Marked on the review page: {mark['input']} = {_mark_text(mark['marked'])} ({used}).")
    print_line()
    print_rule_records(document["rules"])
    for rule in document["rules"]:
        if rule["verdicts_differ"]:
            other = rule["corrected"]["verdict"].replace("_", " ")
            print_line(f"- {rule['id']}: {rule['verdict'].replace('_', ' ')} as read, {other} on corrected areas")
    mending = document["what_would_mend"]
    if mending:
        print_line()
        rows = [
            [
                item["id"],
                number_text(item["needed_msa_mm2"], "mm2"),
                number_text(item["balloon_full_nominal_mm"]),
                number_text(item["balloon_same_fraction_mm"]),
                number_text(item["eem_diameter_mm"]),
            ]
            for item in mending
        ]
        columns = ["criterion", "area needed", "balloon mm, full nominal", "balloon mm, as achieved here", "EEM mm"]
        print_table("what each unmet criterion would take (information, no instruction)", columns, rows)
        print_line(f"Risk: {mending[0]['risk']}.")
    before_after = document["before_after"]
    if before_after is not None:
        print_line()
        residual = number_text(before_after["residual_mm2"], "mm2")
        gain = number_text(before_after["mean_lumen_gain_mm2"], "mm2")
        print_line(f"Before and after ({before_after['method']}, residual {residual}): mean lumen gain {gain}.")
        for side in ("distal", "proximal"):
            site = before_after["same_site"].get(f"{side}_reference")
            if site is not None:
                print_line(
                    f"{side.capitalize()} reference at the same site: lumen "
                    f"{number_text(site['before']['lumen_area_mm2'], 'mm2') or 'not measured'} before "
                    f"(at {site['before']['position_mm']:.1f} mm of that run), "
                    f"{number_text(site['after']['lumen_area_mm2'], 'mm2')} now."
                )
        expansion = number_text(before_after["same_site"]["expansion_against_same_site_pct"], "%")
        if expansion:
            print_line(f"Smallest stent area against the same-site references before: {expansion}.")
    print_line()
    for note in document["notes"]:
        print_line(f"- {note}")
    print_line()
    print_line(document["caution"])


def _print_protrusion(found: dict[str, Any] | None) -> None:
    if found is None:
        return
    if not found["largest_area_mm2"]:
        print_line(f"Tissue protrusion: none found ({found['definition']}).")
        return
    bound = "at least " if found["lower_bound"] else ""
    print_line(
        f"Tissue protrusion: {bound}{found['largest_area_mm2']:.2f} mm2 ({found['largest_burden_pct']:.0f} % of the "
        f"stent area) at {found['position_mm']:.1f} mm, longest stretch {found['longest_mm']:.1f} mm, volume "
        f"{found['volume_mm3']:.1f} mm3: {found['definition']}; {found['source']}."
    )


def _mark_text(value: float | str) -> str:
    return f"{value:.1f}" if isinstance(value, float) else str(value)
