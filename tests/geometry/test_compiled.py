"""Machine code on disk is a help only: a full disk or a damaged file costs time, nothing else."""

from __future__ import annotations

import resource
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from numba.core import config

from boreline.geometry.compiled import compiled


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
