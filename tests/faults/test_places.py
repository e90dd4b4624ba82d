"""Disks that are full and folders that cannot be written: one line, status 2, nothing half-written."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from deaths import Mortal, beside, contents

from boreline.geometry.compiled import private_cache
from boreline.workflow.export import export

ONE_AFTER_ANOTHER = """
import json, sys
from boreline_cli.main import main
for args in json.loads(sys.argv[1]):
    try:
        main(args)
    except SystemExit as end:
        assert not end.code
"""


@pytest.mark.parametrize("limit", [500, 60_000])
def test_a_full_disk_under_a_new_folder(limit: int, run_file: Path, mortal: Mortal, tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: writing fails half-way either way."""
    out = tmp_path / "work" / "case"
    death = mortal.run("analyse", str(run_file), "--out", str(out), under=tmp_path, limit=limit)
    assert (death.status, death.said.count("\n"), death.said[:10]) == (2, 1, "boreline: ")
    assert "File too large" in death.said
    assert not out.exists()
    assert beside(out) == []


def test_a_full_disk_under_an_old_folder(analysed: Path, mortal: Mortal, tmp_path: Path) -> None:
    case = tmp_path / "work" / "case"
    shutil.copytree(analysed, case)
    key = tmp_path / "key"
    key.write_text("sixteen bytes or more")
    for args in (
        ("plan", str(case), "--distal", "0.05", "--proximal", "0.15"),
        ("export", str(case), "--key", str(key)),
    ):
        death = mortal.run(*args, under=tmp_path, limit=1000)
        assert (death.status, death.said.count("\n"), death.said[:10]) == (2, 1, "boreline: ")
        assert contents(case) == contents(analysed)
        assert not (case / ".pending").exists()


def test_a_place_that_cannot_be_written(run_file: Path, mortal: Mortal) -> None:
    """Nobody makes a folder in /proc, the superuser included."""
    death = mortal.run("analyse", str(run_file), "--out", "/proc/results/case", under=Path("/proc/results"))
    assert (death.status, death.said.count("\n")) == (2, 1)
    assert "/proc/results/case: cannot be written" in death.said


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
    first, second = tmp_path / "first", tmp_path / "second"
    shutil.copytree(analysed, first)
    key = tmp_path / "key"
    key.write_text("sixteen bytes or more")
    commands = [
        ["analyse", os.path.relpath(run_file, tmp_path), "--out", "second", "--threads", "3"],
        ["export", "second", "--out", "two", "--key", str(key)],
    ]
    subprocess.run(
        [sys.executable, "-c", ONE_AFTER_ANOTHER, json.dumps(commands)],
        check=True,
        capture_output=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONHASHSEED": "2", "TZ": "Asia/Tokyo"},
    )
    record = first / "run.json"
    times = created_at(first), created_at(second)
    record.write_bytes(record.read_bytes().replace(*times))
    files = {path.relative_to(first) for path in first.rglob("*") if path.is_file()}
    assert files == {path.relative_to(second) for path in second.rglob("*") if path.is_file()}
    for name in sorted(files):
        one, two = (first / name).read_bytes(), (second / name).read_bytes()
        if name.name == "report.html":  # it shows the same time
            one, two = one.replace(times[0], b""), two.replace(times[1], b"")
        assert one == two, name
    # now that the times in run.json agree, nothing in an export may differ, its UIDs included
    export(first, tmp_path / "one", key_file=key)
    exported = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert len(exported) == 12
    for name in exported:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


def created_at(folder: Path) -> bytes:
    return str(json.loads((folder / "run.json").read_text())["created_at"]).encode()
