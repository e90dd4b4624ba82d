"""A tiny run, its result folder, an edit log, and the program whose commands die on request."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from deaths import Mortal, mortal_after

from boreline.correction import LogWriter
from boreline.correction.edits import Accept
from boreline.results import ResultFolder
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="package")
def run_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("scene")
    write_scene(circle(3).with_(frames=6), out)
    return out / "run.dcm"


@pytest.fixture(scope="package")
def analysed(run_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result folder; copy it before it is changed."""
    return analyse(run_file, tmp_path_factory.mktemp("analysed") / "case", AnalyseOptions()).path


@pytest.fixture(scope="package")
def edit_log(analysed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    log = tmp_path_factory.mktemp("log") / "ann.jsonl"
    writer = LogWriter(log, "ann", ResultFolder.open(analysed).record["source"]["sop_instance_uid"])
    writer.append(Accept(first=1, last=3))
    writer.close()
    return log


@pytest.fixture(scope="package")
def mortal(run_file: Path, edit_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mortal]:
    place = tmp_path_factory.mktemp("warm")
    case, key = str(place / "case"), place / "site.key"
    key.write_text("sixteen bytes or more")
    loads = [
        ["analyse", str(run_file), "--out", case],
        ["plan", case, "--distal", "0.05", "--proximal", "0.15"],
        ["review", case, "--apply", str(edit_log)],
        ["export", case, "--key", str(key)],
    ]
    with mortal_after(loads) as server:
        yield server
