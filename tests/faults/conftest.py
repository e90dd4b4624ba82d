"""A tiny run, its result folder, an edit log, and the program whose commands die on request."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from deaths import Mortal

from boreline.correction import LogWriter
from boreline.correction.edits import Accept
from boreline.results import ResultFolder
from boreline.workflow.analyse import AnalyseOptions, analyse
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="package")
def mortal() -> Iterator[Mortal]:
    command = [sys.executable, str(Path(__file__).with_name("dying.py"))]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        yield Mortal(server)
        assert server.stdin is not None
        server.stdin.close()


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
