"""A change is whole or absent, whatever interrupts it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from boreline.errors import InputRefused
from boreline.results.transaction import afterwards, change, new_folder, recover, remove


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "result"
    path.mkdir()
    (path / "a.txt").write_text("old a")
    (path / "b.txt").write_text("old b")
    return path


def read(folder: Path) -> tuple[str, str]:
    return (folder / "a.txt").read_text(), (folder / "b.txt").read_text()


def test_all_files_of_a_change_appear_together(folder: Path) -> None:
    with change(folder) as staging:
        (staging / "a.txt").write_text("new a")
        (staging / "b.txt").write_text("new b")
        (staging / "deep").mkdir()
        (staging / "deep" / "c.txt").write_text("new c")
        assert read(folder) == ("old a", "old b")
    assert read(folder) == ("new a", "new b")
    assert (folder / "deep" / "c.txt").read_text() == "new c"
    assert not (folder / ".pending").exists()


def test_an_error_inside_the_change_leaves_everything_as_it_was(folder: Path) -> None:
    def interrupted() -> None:
        with change(folder) as staging:
            (staging / "a.txt").write_text("new a")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        interrupted()
    assert read(folder) == ("old a", "old b")
    assert not (folder / ".pending").exists()


def test_a_change_cut_off_before_its_journal_is_discarded(folder: Path) -> None:
    (folder / ".pending").mkdir()
    (folder / ".pending" / "a.txt").write_text("new a")
    recover(folder)
    assert read(folder) == ("old a", "old b")
    assert not (folder / ".pending").exists()


def test_a_change_cut_off_after_its_journal_is_finished(folder: Path) -> None:
    """As left by a kill after the first of two renames."""
    (folder / ".pending").mkdir()
    (folder / "a.txt").write_text("new a")
    (folder / ".pending" / "b.txt").write_text("new b")
    (folder / ".pending" / "journal.json").write_text(json.dumps(["a.txt", "b.txt"]))
    recover(folder)
    assert read(folder) == ("new a", "new b")


def test_a_file_goes_with_the_change_that_takes_it_away(folder: Path) -> None:
    with change(folder) as staging:
        (staging / "a.txt").write_text("new a")
        remove(staging, "b.txt")
        remove(staging, "was never there.txt")
        assert read(folder) == ("old a", "old b")
    assert [path.name for path in folder.iterdir() if path.name != ".lock"] == ["a.txt"]


def test_a_file_stays_when_the_change_that_takes_it_away_fails(folder: Path) -> None:
    def interrupted() -> None:
        with change(folder) as staging:
            remove(staging, "b.txt")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        interrupted()
    assert read(folder) == ("old a", "old b")


def test_a_removal_cut_off_after_its_journal_is_finished(folder: Path) -> None:
    """Whatever was moved before the kill; a second recovery finds nothing left to do."""

    def killed() -> None:
        with pytest.MonkeyPatch.context() as patch, change(folder) as staging:
            (staging / "a.txt").write_text("new a")
            remove(staging, "b.txt")
            patch.setattr("boreline.results.transaction._settle", _stop)

    with pytest.raises(KeyboardInterrupt):
        killed()
    recover(folder)
    recover(folder)
    assert [path.name for path in folder.iterdir() if path.name != ".lock"] == ["a.txt"]
    assert (folder / "a.txt").read_text() == "new a"


def _stop(folder: Path) -> None:
    raise KeyboardInterrupt


def test_a_change_can_be_read_before_it_is_made(folder: Path) -> None:
    (folder / "deep").mkdir()
    (folder / "deep" / "c.txt").write_text("old c")
    with change(folder) as staging:
        (staging / "a.txt").write_text("new a")
        remove(staging, "b.txt")
        with afterwards(staging) as view:
            seen = {str(path.relative_to(view)): path.read_text() for path in view.rglob("*") if path.is_file()}
        assert sorted(path.name for path in staging.iterdir()) == [".removed", "a.txt"], "the view is gone"
    assert seen == {"a.txt": "new a", "deep/c.txt": "old c"}


def test_a_second_writer_is_refused(folder: Path) -> None:
    with change(folder), pytest.raises(InputRefused, match="another process"), change(folder):
        pass


def test_a_new_folder_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    out = tmp_path / "out"

    def interrupted() -> None:
        with new_folder(out, replace=False) as target:
            (target / "a.txt").write_text("a")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        interrupted()
    assert list(tmp_path.iterdir()) == []
    with new_folder(out, replace=False) as target:
        (target / "a.txt").write_text("a")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_replacing_a_folder_drops_its_old_files(folder: Path) -> None:
    with new_folder(folder, replace=True) as target:
        (target / "c.txt").write_text("c")
    assert [path.name for path in folder.iterdir()] == ["c.txt"]
    assert [path.name for path in folder.parent.iterdir()] == ["result"]
