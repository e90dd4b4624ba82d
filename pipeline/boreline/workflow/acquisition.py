"""The acquisition check of files that were not analysed yet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from boreline.errors import InputRefused
from boreline.model import Run, Vessel
from boreline.position.acquisition import Check, check_acquisition
from boreline.position.coregistration import coregister
from boreline.reading import read_xray


@dataclass(frozen=True, slots=True)
class Acquisition:
    """The checks, and why marker and path could not be found, if they could not."""

    checks: tuple[Check, ...]
    problem: str | None


def check_files(
    run: Run,
    fluoro: Path | None = None,
    cine: Path | None = None,
    *,
    vessel: Vessel | None = None,
    offset_s: float | None = None,
    vasodilator: bool | None = None,
) -> Acquisition:
    """Judge how a run and its X-ray runs were taken; tracks the marker when both X-ray runs are given.

    Raises
    ------
    InputRefused
        An X-ray file cannot be read. Runs that do not go together are no refusal here: the checks say so.
    """
    films = [None if path is None else read_xray(path) for path in (fluoro, cine)]
    result, problem = None, None
    if films[0] is not None and films[1] is not None:
        try:
            result = coregister(run, films[0], films[1], offset_s=offset_s, names=(str(fluoro), str(cine)))
        except InputRefused as refusal:
            problem = str(refusal)
    checks = check_acquisition(
        run, films[0], films[1], vessel=vessel, offset_s=offset_s, result=result, vasodilator=vasodilator
    )
    return Acquisition(checks, problem)
