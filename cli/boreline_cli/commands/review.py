"""`boreline review`: the page for corrections, and replaying a log of edits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.output import Json, print_json, print_line


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def review(
        folders: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Result folders, side by side.")],
        reader: Annotated[str | None, typer.Option("--reader", metavar="NAME", help="Whose edits these are.")] = None,
        port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free port.")] = 0,
        browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in a browser.")] = True,
        apply: Annotated[
            Path | None,
            typer.Option("--apply", metavar="LOG", help="Take a log of edits into DIR, rebuild its tables and stop."),
        ] = None,
        compare: Annotated[
            bool, typer.Option("--compare", help="Compare the readers who edited DIR, and stop.")
        ] = False,
        source: Annotated[
            Path | None, typer.Option("--source", metavar="RUN.dcm", help="Where the run's pixels are now.")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Correct contours in the browser; every edit is kept in DIR/edits/NAME.jsonl.

        The page is served to this machine only; its address is printed. Without --reader the reader is the user's
        login name.

        Example: boreline review results/case1
        """
        if apply is not None or compare:
            _without_page(_only(folders), apply, reader, source, as_json=as_json)
            return
        from boreline.review.serve import review as serve

        serve(
            folders,
            reader=reader or _login_name(),
            port=port,
            source=source,
            open_browser=browser,
            announce=lambda address: _announce(address),
        )


def _announce(address: str) -> None:
    import sys

    print_line(address)
    sys.stdout.flush()


def _login_name() -> str:
    import getpass
    import re

    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        name = "reader"
    return re.sub(r"[^A-Za-z0-9_-]", "-", name).strip("-_")[:64] or "reader"


def _only(folders: list[Path]) -> Path:
    from boreline.errors import InputRefused

    if len(folders) != 1:
        raise InputRefused(
            "--apply and --compare take one folder", tag="DIR", remedy="repeat the command for each folder"
        )
    return folders[0]


def _without_page(path: Path, log: Path | None, reader: str | None, source: Path | None, *, as_json: bool) -> None:
    from boreline.results import ResultFolder
    from boreline.workflow.apply_edits import compare_readers, import_log

    folder = ResultFolder.open(path)
    if log is not None:
        report = import_log(folder, log, reader=reader, source=source).report
        if as_json:
            print_json(report)
        else:
            for line in report_lines(report):
                print_line(line)
        return
    rows = compare_readers(folder, source=source)
    if as_json:
        print_json({"readers": rows})
        return
    if not rows:
        print_line("fewer than two readers edited this run")
    for row in rows:
        print_line(_comparison(row))


def report_lines(report: dict[str, Any]) -> list[str]:
    """What a log of edits changed, for a terminal."""
    edits = "1 edit" if report["n_edits"] == 1 else f"{report['n_edits']} edits"
    in_force = f"{edits} of {report['reader']} in force"
    reviewed = f"{report['n_reviewed']} frames reviewed, {report['n_accepted']} accepted"
    lines = [f"{in_force}; {reviewed}, {report['n_rejected']} rejected"]
    for structure in report["edited"]:
        edited, followed = report["edited"][structure], report["influenced"][structure]
        if edited or followed:
            lines.append(f"{structure}: edited in frames {_spans(edited)}; followed in frames {_spans(followed)}")
    for structure, frames in report["held_back"].items():
        if frames:
            lines.append(f"{structure}: held back at the operator's other border in frames {_spans(frames)}")
    lines += [f"edit {entry['number']} was not applied: {entry['reason']}" for entry in report["not_applied"]]
    return lines


def _spans(frames: list[int]) -> str:
    spans: list[list[int]] = []
    for frame in frames:
        if spans and frame == spans[-1][1] + 1:
            spans[-1][1] = frame
        else:
            spans.append([frame, frame])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans) or "none"


def _comparison(row: dict[str, Any]) -> str:
    def number(name: str, decimals: int) -> str:
        return "-" if row[name] is None else f"{row[name]:.{decimals}f}"

    return (
        f"{row['first']} and {row['second']}, {row['structure']}, {row['n_frames']} frames: "
        f"median Jaccard {number('median_jaccard', 3)} (lowest {number('lowest_jaccard', 3)}), area difference "
        f"{number('mean_difference_mm2', 2)} ± {number('sd_difference_mm2', 2)} mm2"
    )
