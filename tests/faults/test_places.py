"""Disks that are full and folders that cannot be written: one line, status 2, nothing half-written."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from deaths import beside, contents

from boreline.geometry.compiled import private_cache
from boreline.workflow.export import export

MAIN = "from boreline_cli.main import main; main()"


def boreline(*args: str | Path, limit: int | None = None, cwd: Path | None = None, **more: str) -> tuple[int, str]:
    def small_disk() -> None:
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run(
        [sys.executable, "-c", MAIN, *map(str, args)],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env={**os.environ, **more},
        preexec_fn=small_disk,
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize("limit", [500, 60_000])
def test_a_full_disk_under_a_new_folder(limit: int, run_file: Path, analysed: Path, tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: writing fails half-way either way."""
    assert analysed.exists()  # made before, so that the compiled code is in the cache already
    out = tmp_path / "work" / "case"
    status, said = boreline("analyse", run_file, "--out", out, limit=limit)
    assert (status, said.count("\n"), said[:10]) == (2, 1, "boreline: ")
    assert "File too large" in said
    assert not out.exists()
    assert beside(out) == []


def test_a_full_disk_under_an_old_folder(analysed: Path, tmp_path: Path) -> None:
    case = tmp_path / "work" / "case"
    shutil.copytree(analysed, case)
    key = tmp_path / "key"
    key.write_text("sixteen bytes or more")
    for args in (("plan", case, "--distal", "0.05", "--proximal", "0.15"), ("export", case, "--key", key)):
        status, said = boreline(*args, limit=1000)
        assert (status, said.count("\n"), said[:10]) == (2, 1, "boreline: ")
        assert contents(case) == contents(analysed)
        assert not (case / ".pending").exists()


def test_a_place_that_cannot_be_written(run_file: Path) -> None:
    """Nobody makes a folder in /proc, the superuser included."""
    status, said = boreline("analyse", run_file, "--out", "/proc/results/case")
    assert (status, said.count("\n")) == (2, 1)
    assert "/proc/results/case: cannot be written" in said


def test_compiled_code_is_only_taken_from_a_folder_of_the_users_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    folder = private_cache()
    assert folder is not None
    assert folder.stat().st_mode & 0o777 == 0o700
    folder.chmod(0o770)
    assert private_cache() is None
    folder.rename(tmp_path / "elsewhere")
    (tmp_path / "elsewhere").chmod(0o700)
    folder.symlink_to(tmp_path / "elsewhere")
    assert private_cache() is None


def test_the_bytes_depend_on_nothing_but_the_input(run_file: Path, analysed: Path, tmp_path: Path) -> None:
    """Other threads, other working folder, other hash seed; only the time of the analysis may differ."""
    first, second = analysed, tmp_path / "second"
    elsewhere = Path(os.path.relpath(run_file, tmp_path))
    boreline(
        "analyse", elsewhere, "--out", "second", "--threads", "3", cwd=tmp_path, PYTHONHASHSEED="2", TZ="Asia/Tokyo"
    )
    files = {path.relative_to(first) for path in first.rglob("*") if path.is_file()}
    assert files == {path.relative_to(second) for path in second.rglob("*") if path.is_file()}
    made = {folder: created_at(folder) for folder in (first, second)}
    for name in sorted(files):
        one, two = (first / name).read_bytes(), (second / name).read_bytes()
        if name.name == "run.json":
            two = two.replace(made[second], made[first])
            (second / name).write_bytes(two)
        elif name.name == "report.html":  # it shows the same time
            one, two = one.replace(made[first], b""), two.replace(made[second], b"")
        assert one == two, name
    # once the times in run.json agree, nothing in an export may differ, its UIDs included
    key = tmp_path / "key"
    key.write_text("sixteen bytes or more")
    export(first, tmp_path / "one", key_file=key)
    boreline("export", "second", "--out", "two", "--key", key, cwd=tmp_path, PYTHONHASHSEED="2")
    exported = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert len(exported) == 12
    for name in exported:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


def created_at(folder: Path) -> bytes:
    return str(json.loads((folder / "run.json").read_text())["created_at"]).encode()
