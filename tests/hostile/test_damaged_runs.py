"""Hundreds of damaged files: never a traceback, never a hang, never frames at another place in silence."""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutations import MUTATIONS, flip_header_bytes
from outcomes import SECONDS_ALLOWED, Base, bases, damage, outcome

from boreline.errors import InputRefused
from boreline.reading import discover, read_run

CASES_PER_BASE = 70


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> list[Base]:
    return bases(tmp_path_factory.mktemp("sound"))


@pytest.mark.parametrize("number", range(9))
def test_damaged_files_end_well(sound: list[Base], tmp_path: Path, number: int) -> None:
    base = sound[number]
    path = tmp_path / "run.dcm"
    ends: Counter[str] = Counter()
    for seed in range(CASES_PER_BASE):
        mutation, data = damage(base, 1000 * number + seed)
        path.write_bytes(data)
        start = time.monotonic()
        try:
            ends[outcome(path, base, mutation)] += 1
        except Exception as fault:
            pytest.fail(f"{base.name}, {mutation}, seed {1000 * number + seed}: {type(fault).__name__}: {fault}")
        assert time.monotonic() - start < SECONDS_ALLOWED
    assert sum(ends.values()) == CASES_PER_BASE
    assert ends["refused"] > 0
    assert ends["run"] > 0


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=2000), st.booleans(), st.sampled_from([0, 8, 40]))
def test_random_bytes_end_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, tail: bytes, preamble: bool, n: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "random.dcm"
    start = bytes(128) + b"DICM" + b"\x02\x00\x10\x00UI\x14\x001.2.840.10008.1.2.1\x00" if preamble else b""
    path.write_bytes(start + b"\x08\x00"[:n] + tail)
    with pytest.raises(InputRefused) as caught:
        read_run(path)
    assert len(str(caught.value).splitlines()) == 1


def test_a_folder_of_damaged_files_is_searched_to_the_end(sound: list[Base], tmp_path: Path) -> None:
    count = 0
    for base in sound:
        for seed in range(12):
            count += 1
            (tmp_path / f"{count}").write_bytes(damage(base, 5000 + seed)[1])
    found = discover(tmp_path)
    assert len(found.pullbacks) + len(found.xrays) + len(found.skipped) == count
    assert len(MUTATIONS) >= 10
    assert flip_header_bytes.__name__ in MUTATIONS
