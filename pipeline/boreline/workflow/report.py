"""The report page of a folder, or of the runs of one vessel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from boreline.errors import InputRefused
from boreline.expansion.case_file import read_case
from boreline.model import Run
from boreline.reporting.page import write_case_report
from boreline.reporting.pdf import write_pdf
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
        Result folders, or one ``case.toml``.
    out
        The HTML file; by default ``report.html`` in the one folder, or ``case_report.html`` beside the case file or
        the first folder.
    source
        The DICOM file of the one run when it moved. Without pixels the page has no pictures, and says so.

    Raises
    ------
    InputRefused
        Not a result folder or case; no Chromium for `pdf`.
    """
    is_case = len(where) == 1 and where[0].suffix == ".toml"
    paths = [path for _, path in read_case(where[0]).runs] if is_case else list(where)
    folders = [open_current(path) for path in paths]
    if source is not None and len(folders) != 1:
        raise InputRefused("goes with one folder only", tag="--source")
    opened = [_opened(folder, source) for folder in folders]
    runs = [(folder, run) for folder, (run, _) in zip(folders, opened, strict=True)]
    notes = tuple(note for _, note in opened if note)
    if len(folders) == 1 and not is_case and out is None:
        with change(folders[0].path) as staging:
            write_case_report(runs, staging / PAGE)
        page = folders[0].path / PAGE
    else:
        page = out or (where[0].parent / CASE_PAGE)
        write_case_report(runs, page)
    return Report(page, write_pdf(page, page.with_suffix(".pdf")) if pdf else None, notes)


def _opened(folder: ResultFolder, source: Path | None) -> tuple[Run | None, str]:
    try:
        return folder.open_run(source), ""
    except InputRefused as refusal:
        if source is not None:
            raise
        return None, f"{folder.path}: no pictures, since {refusal.problem}"
