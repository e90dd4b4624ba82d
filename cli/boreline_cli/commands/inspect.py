"""`boreline inspect`: what a file or a folder is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from boreline_cli.options import FrameRate, MmPerPixel, TrustRegion, VesselOption, WholeFramesOnly, parse_mm_per_px
from boreline_cli.output import Json, print_json, print_line, print_table

_SHOWN_PATHS = 40


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def inspect(
        path: Annotated[
            Path, typer.Argument(metavar="RUN.dcm|FOLDER", help="A DICOM run, a folder, or the DICOMDIR of an export.")
        ],
        mm_per_pixel: MmPerPixel = None,
        trust_region: TrustRegion = False,
        whole_frames_only: WholeFramesOnly = False,
        frame_rate: FrameRate = None,
        fluoro: Annotated[
            Path | None, typer.Option("--fluoro", metavar="F.dcm", help="Fluoroscopy, for the acquisition check.")
        ] = None,
        cine: Annotated[
            Path | None, typer.Option("--cine", metavar="C.dcm", help="Contrast cine, for the acquisition check.")
        ] = None,
        vessel: VesselOption = None,
        vasodilator: Annotated[
            bool | None, typer.Option("--vasodilator/--no-vasodilator", help="A note: was one given before imaging?")
        ] = None,
        as_json: Json = False,
    ) -> None:
        """Say what a run is (scale, timing, motion, warnings), or what a folder holds and what to type next.

        Example: boreline inspect export/DICOMDIR
        """
        from boreline.reading import discover, read_run, read_xray
        from boreline.reading.describe import describe_found, describe_run, describe_xray, kind_of
        from boreline.workflow.acquisition import check_files

        kind = kind_of(path)
        if kind == "folder":
            report = describe_found(discover(path))
        elif kind == "xray":
            report = describe_xray(read_xray(path, whole_frames_only=whole_frames_only, frame_rate_hz=frame_rate))
        else:
            run = read_run(
                path,
                mm_per_px=parse_mm_per_px(mm_per_pixel),
                trust_region=trust_region,
                whole_frames_only=whole_frames_only,
                frame_rate_hz=frame_rate,
            )
            report = describe_run(run)
            found = check_files(run, fluoro, cine, vessel=vessel, vasodilator=vasodilator)
            report["acquisition"] = [check.as_json() for check in found.checks]
            report["acquisition_problem"] = found.problem
        if as_json:
            print_json(report)
        elif kind == "folder":
            _print_folder(report)
        else:
            _print_run(path, report)


def print_checks(checks: Iterable[Mapping[str, Any]]) -> None:
    """Draw the acquisition check: one row per condition with `condition`, `measured`, `wanted` and `verdict`."""
    columns = ["condition", "measured", "wanted", "verdict"]
    print_table("acquisition check", columns, [[_words(check[name]) for name in columns] for check in checks])


def _print_run(path: Path, report: dict[str, Any]) -> None:
    print_line(f"{path}: {'an X-ray run' if report['kind'] == 'xray' else 'an ultrasound pullback'}")
    rows = []
    for part, facts in report.items():
        if isinstance(facts, dict):
            values = list(facts.items())
            rows += [[_words(part) if i == 0 else "", _words(name), _shown(v)] for i, (name, v) in enumerate(values)]
    print_line()
    print_table("", ["", "", ""], rows)
    _print_notes("warnings", report["warnings"])
    if "acquisition" in report:
        print_line()
        print_checks(report["acquisition"])
        if report["acquisition_problem"]:
            _print_notes("not co-registered", [report["acquisition_problem"]])


def _print_folder(report: dict[str, Any]) -> None:
    print_line(f"{report['folder']}: {len(report['pullbacks'])} pullbacks, {len(report['xrays'])} X-ray runs")
    for part in ("pullbacks", "xrays", "pairs"):
        rows = report[part]
        if rows:
            names = list(rows[0])
            shown = [[_below(report["folder"], row[name]) for name in names] for row in rows[:_SHOWN_PATHS]]
            print_line()
            print_table("X-ray runs" if part == "xrays" else _words(part), [_words(name) for name in names], shown)
            if len(rows) > _SHOWN_PATHS:
                print_line(f"... and {len(rows) - _SHOWN_PATHS} more; --json lists all")
    if report["skipped_reasons"]:
        print_line()
        rows = [[str(count), reason] for reason, count in report["skipped_reasons"].items()]
        print_table("passed over", ["files", "reason"], rows[:_SHOWN_PATHS])
    _print_notes("notes", report["notes"])
    _print_notes("next", report["next"] or ["nothing here can be analysed as it is"])


def _print_notes(title: str, lines: list[str]) -> None:
    if not lines:
        return
    print_line()
    print_line(f"{title}:")
    for line in lines:
        print_line(f"  {line}")


def _below(folder: str, value: Any) -> str:
    """A path as seen from the folder; anything else as it is shown."""
    text = _shown(value)
    return text.removeprefix(folder).lstrip("/") or "." if isinstance(value, str) and text.startswith(folder) else text


def _words(name: str) -> str:
    return name.replace("_", " ")


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return ", ".join(_shown(part) for part in value)
    return str(value)
