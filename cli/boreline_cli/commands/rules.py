"""`boreline rules`: the panel of criteria, or the panel applied to numbers typed in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.output import Json, print_json, print_line, print_table

Criteria = Annotated[
    Path | None,
    typer.Option("--criteria", metavar="FILE", help="A TOML file with rules of your own, added at the end."),
]
BalloonTargets = Annotated[
    Path | None,
    typer.Option(
        "--balloon-targets",
        metavar="CSV",
        help="Your own table of stent areas to reach: balloon_diameter_mm,target_area_mm2.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def rules(
        evaluate: Annotated[
            Path | None,
            typer.Option(metavar="VALUES.toml", help="Apply every rule to the inputs in this file (key = value)."),
        ] = None,
        criteria: Criteria = None,
        balloon_targets: BalloonTargets = None,
        as_json: Json = False,
    ) -> None:
        """List every expansion criterion with its source, or apply them all to numbers you type in.

        A rule of your own (--criteria) is one comparison, or all, any or agree of several, or when, then and otherwise:

        \b
        [\\[rule]]
        id = "ours"
        title = "at least 85 % of the distal reference, or above 6 mm2"
        source = "our laboratory, 2026"
        any = [
          { id = "share", condition = "100 * msa_mm2 / distal_lumen_mm2 >= 85" },
          { id = "size", condition = "msa_mm2 > 6", unit = "mm2" },
        ]

        Example: boreline rules --evaluate values.toml --criteria ours.toml
        """  # noqa: D301 (a backspace keeps the lines that follow apart)
        from boreline.expansion.panel import panel_as_json, panel_of_values, rules_as_json
        from boreline.model import CAUTION

        if evaluate is not None:
            panel = panel_of_values(evaluate, criteria=criteria, balloon_targets=balloon_targets)
            if as_json:
                print_json(panel_as_json(panel))
                return
            print_rule_records([result.as_json() for result in panel])
            print_line()
            print_line(CAUTION)
            return
        listing = rules_as_json(criteria)
        if as_json:
            print_json(listing)
            return
        print_table(
            "criteria",
            ["id", "rule", "source"],
            [[rule["id"], rule["statement"], rule["source"]] for rule in listing["rules"]],
        )
        print_line()
        print_table(
            "inputs of --evaluate VALUES.toml (each number may have an uncertainty: NAME_sd)",
            ["name", "unit", "meaning"],
            [[item["name"], item["unit"], item["meaning"]] for item in listing["inputs"]],
        )
        print_line()
        print_line(CAUTION)


VERDICT_WORDS = {
    "met": "met",
    "not_met": "not met",
    "too_close_to_call": "too close to call",
    "not_assessable": "not assessable",
}
RISK_WORDS = {**VERDICT_WORDS, "met": "sign present", "not_met": "sign absent"}
FROM_MEMORY_NOTE = "* from memory in part, verify in the paper: 'boreline rules' says what"


def print_rule_records(records: list[dict[str, Any]]) -> None:
    """Draw rule records as one table: the verdict, what it rests on, and what could not be assessed below it."""
    judged = [record for record in records if record["verdict"] != "not_assessable"]
    if judged:
        print_table(
            "criteria", ["id", "verdict", "value", "threshold", "P", "rule", "source"], [_row(r) for r in judged]
        )
    open_ones = [record for record in records if record["verdict"] == "not_assessable"]
    if open_ones:
        print_line()
        rows = [[record["id"], ", ".join(record["missing"]) or str(record["note"])] for record in open_ones]
        print_table("not assessable", ["id", "missing"], rows)
    if any(record["from_memory"] for record in judged):
        print_line(FROM_MEMORY_NOTE)


def _row(record: dict[str, Any]) -> list[str]:
    words = RISK_WORDS if record["sense"] == "risk" else VERDICT_WORDS
    return [
        record["id"] + ("*" if record["from_memory"] else ""),
        words[record["verdict"]],
        number_text(record["value"], record["unit"]),
        number_text(record["threshold"], record["unit"]),
        "" if record["probability"] is None else f"{record['probability']:.2f}",
        record["title"],
        record["source"].split(";")[0].split("[")[0].strip(),
    ]


def number_text(value: Any, unit: str = "") -> str:
    """A value for people: two decimals with its unit, words as they are, empty when not known."""
    if value is None:
        return ""
    text = value if isinstance(value, str) else f"{value:.2f}"
    return f"{text} {unit}".strip()
