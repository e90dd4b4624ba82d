"""A small archive with faults planted in it, and one undisturbed batch over it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from boreline.batch.run import BatchOptions, run_batch
from boreline.batch.study import Study
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="package")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sound runs, a truncated one, a copy, and a file that is no picture."""
    root = tmp_path_factory.mktemp("archive")
    for seed, diameter_mm in ((1, 2.5), (2, 3.5), (3, 4.0)):
        write_scene(circle(diameter_mm).with_(seed=seed, frames=4), root / f"site{seed}")
    whole = (root / "site1" / "run.dcm").read_bytes()
    (root / "cut.dcm").write_bytes(whole[: len(whole) * 2 // 3])
    (root / "notes.txt").write_text("not a picture")
    shutil.copy(root / "site2" / "run.dcm", root / "site2" / "same.dcm")
    return root


@pytest.fixture(scope="package")
def done(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a batch over the archive."""
    out = tmp_path_factory.mktemp("batch") / "out"
    result = run_batch(archive, out, Study(), BatchOptions(workers=2))
    assert (result.done, result.failed) == (3, 2)
    return out
