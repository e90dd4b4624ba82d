"""The report page of a folder, or of the runs of one vessel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from boreline.errors import InputRefused
from boreline.expansion.case_file import read_case
from boreline.model import Phase, Run
from boreline.reporting.page import write_case_report
from boreline.reporting.pdf import find_browser, write_pdf
from boreline.results import ResultFolder, change
from boreline.workflow.apply_edits import open_current

PAGE, CASE_PAGE = "report.html", "case_report.html"


@dataclass(frozen=True, slots=True)
class Report:
    """What was written, and what the page lacks."""

    page: Path
    pdf: Path | None
    notes: tuple[str, ...]


def report(where: Sequence[Path], *, out: Path | None = None, pdf: bool = False, source: Path | None = None) -> Report:
    """Write the page.

    Parameters
    ----------
    where
        Result folders of one vessel, or one ``case.toml``; ordered by phase where every phase is stated.
    out
        The HTML file; by default ``report.html`` in the one folder, or ``case_report.html`` beside the case file or
        the first folder.
    source
        The DICOM file of the one run when it moved. Without pixels the page has no pictures, and says so.

    Raises
    ------
    InputRefused
        Not a result folder or case; runs of different vessels; no Chromium for `pdf`.
    """
    case = read_case(where[0]) if len(where) == 1 and where[0].suffix == ".toml" else None
    browser = find_browser() if pdf else None  # before anything is written
    if case is None:
        folders = _by_phase([open_current(path) for path in where])
    else:
        folders = [open_current(path) for _, path in case.runs]
    _require_one_vessel(folders)
    if source is not None and len(folders) != 1:
        raise InputRefused(
            "goes with one folder only", tag="--source", remedy="report one folder at a time, or leave it out"
        )
    opened = [_opened(folder, source) for folder in folders]
    runs = [(folder, run) for folder, (run, _) in zip(folders, opened, strict=True)]
    notes = tuple(note for _, note in opened if note)
    if len(folders) == 1 and case is None and out is None:
        with change(folders[0].path) as staging:
            write_case_report(runs, staging / PAGE)
        page = folders[0].path / PAGE
    else:
        page = out or (where[0].parent / CASE_PAGE)
        write_case_report(runs, page, fiducials=() if case is None else case.fiducials)
    printed = None if browser is None else write_pdf(page, page.with_suffix(".pdf"), browser=browser)
    return Report(page, printed, notes)


def _by_phase(folders: list[ResultFolder]) -> list[ResultFolder]:
    phases = [folder.record["phase"] for folder in folders]
    if None in phases or len(set(phases)) < len(phases):
        return folders
    order = [phase.value for phase in Phase]
    return [folder for _, folder in sorted(zip(phases, folders, strict=True), key=lambda pair: order.index(pair[0]))]


def _require_one_vessel(folders: Sequence[ResultFolder]) -> None:
    vessels = sorted({str(vessel) for folder in folders if (vessel := folder.record["vessel"])})
    if len(vessels) > 1:
        raise InputRefused(
            f"the runs are of different vessels: {', '.join(vessels)}", tag="DIR...", remedy="report each vessel alone"
        )


def _opened(folder: ResultFolder, source: Path | None) -> tuple[Run | None, str]:
    try:
        return folder.open_run(source), ""
    except InputRefused as refusal:
        if source is not None:
            raise
        return None, f"{folder.path}: no pictures, since {refusal.problem}"
