"""Machine code on disk is a help only: a full disk or a damaged file costs time, nothing else."""

from __future__ import annotations

import os
import resource
import stat
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from numba.core import config

from boreline.geometry import compiled as module
from boreline.geometry.compiled import compiled, private_cache


def doubled(value: int) -> int:
    return 2 * value


@pytest.fixture
def cache(tmp_path: Path) -> Iterator[Path]:
    before, config.CACHE_DIR = config.CACHE_DIR, str(tmp_path)
    yield tmp_path
    config.CACHE_DIR = before


def hits(function: Callable[[int], int]) -> int:
    return sum(function.stats.cache_hits.values())  # type: ignore[attr-defined]


def files(folder: Path, suffix: str) -> list[Path]:
    return sorted(folder.rglob(f"*.{suffix}"))


def test_what_one_process_compiled_the_next_one_loads(cache: Path) -> None:
    assert compiled(doubled)(2) == 4
    assert len(files(cache, "nbi")) == len(files(cache, "nbc")) == 1
    again = compiled(doubled)
    assert (again(2), hits(again)) == (4, 1)


def test_a_full_disk_costs_the_cache_and_nothing_else(cache: Path) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    function = compiled(doubled)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, limits[1]))
    try:
        result = function(2)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert result == 4
    assert files(cache, "nbc") == []
    assert (compiled(doubled)(2), len(files(cache, "nbc"))) == (4, 1)


@pytest.mark.parametrize("suffix", ["nbi", "nbc"])
@pytest.mark.parametrize("content", [b"", b"no machine code"])
def test_a_damaged_cache_is_made_anew(cache: Path, suffix: str, content: bytes) -> None:
    compiled(doubled)(2)
    for path in files(cache, suffix):
        path.write_bytes(content)
    assert compiled(doubled)(2) == 4
    again = compiled(doubled)
    assert (again(2), hits(again)) == (4, 1)


# ------------------------------------------------------------------------------------------------ where it lies


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path / f"boreline-{os.getuid()}"


def test_the_folder_of_last_resort_is_the_users_alone(temporary: Path) -> None:
    assert private_cache() == temporary
    assert stat.S_IMODE(temporary.stat().st_mode) == 0o700
    assert private_cache() == temporary  # as it stands


@pytest.mark.parametrize("mode", [0o770, 0o707, 0o720, 0o702, 0o740, 0o704, 0o701, 0o710])
def test_a_folder_that_others_can_enter_is_not_used(temporary: Path, mode: int) -> None:
    temporary.mkdir()
    temporary.chmod(mode)
    assert private_cache() is None


def test_a_link_or_a_file_or_anothers_folder_is_not_used(temporary: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = temporary.parent / "own"
    own.mkdir(mode=0o700)
    temporary.symlink_to(own, target_is_directory=True)
    assert private_cache() is None
    temporary.unlink()
    temporary.write_text("")
    assert private_cache() is None
    someone = os.getuid() + 1
    monkeypatch.setattr(os, "getuid", lambda: someone)
    assert private_cache() is None  # made just now, but not by this user


def only_in_a_named_folder(function: Callable[..., int]) -> str:
    """In place of the library's cache: it finds no folder unless one is named."""
    if not config.CACHE_DIR:
        raise RuntimeError("no locator available")
    return str(config.CACHE_DIR)


def test_without_a_place_beside_the_package_the_private_folder_is_named_for_a_moment(
    temporary: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_Cache", only_in_a_named_folder)
    assert module._cache_for(doubled) == str(cache)
    config.CACHE_DIR = ""
    assert module._cache_for(doubled) == str(temporary)
    assert config.CACHE_DIR == ""


def test_without_any_place_the_code_is_compiled_and_not_kept(
    temporary: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nowhere(function: Callable[..., int]) -> str:
        raise RuntimeError("no locator available")

    monkeypatch.setattr(module, "_Cache", nowhere)
    config.CACHE_DIR = ""
    assert module._cache_for(doubled) is None  # the library does not even like the private folder
    assert config.CACHE_DIR == ""
    assert compiled(doubled)(2) == 4
    monkeypatch.setattr(module, "_Cache", only_in_a_named_folder)
    temporary.chmod(0o755)
    assert module._cache_for(doubled) is None
    assert compiled(doubled)(2) == 4
    assert list(cache.iterdir()) == [temporary]


def test_compiled_code_lets_other_threads_run(cache: Path) -> None:
    function = compiled(doubled)
    assert function.targetoptions["nogil"] is True  # type: ignore[attr-defined]
    assert function.targetoptions["nopython"] is True  # type: ignore[attr-defined]
    assert function.__name__ == "doubled"
