"""The frame index against made-up fragment streams, by property."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from dicom_builders import JPEG_LS, RLE, speckle, write
from hypothesis import given, settings
from hypothesis import strategies as st

from boreline.reading import read_run
from boreline.reading.fragments import FrameIndex, index_encapsulated, index_native

JPEG_SYNTAX = "1.2.840.10008.1.2.4.50"
ITEM, END = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"


def item(content: bytes) -> bytes:
    return ITEM + len(content).to_bytes(4, "little") + content


def codestream(length: int, seed: int) -> bytes:
    """Starts and ends like JPEG, with nothing in it that looks like either."""
    body = np.random.default_rng(seed).integers(0, 0xF0, 2 * length, dtype=np.uint8).tobytes()
    return b"\xff\xd8\xff\xe0" + body + b"\xff\xd9"


def split(stream: bytes, cuts: Sequence[int]) -> list[bytes]:
    bounds = [0, *sorted({2 * (cut % (len(stream) // 2)) for cut in cuts} - {0}), len(stream)]
    return [stream[a:b] for a, b in pairwise(bounds)]


def index_of(data: bytes, n_frames: int, syntax: str = JPEG_SYNTAX) -> tuple[FrameIndex, list[bytes]]:
    with tempfile.TemporaryFile() as file:
        file.write(b"head" + data)
        file.flush()
        index = index_encapsulated(file.fileno(), 4, 4 + len(data), n_frames, syntax)
        whole = b"head" + data
        return index, [b"".join(whole[o : o + n] for o, n in frame) for frame in index.frames]


frames_of_fragments = st.lists(
    st.tuples(st.integers(2, 40), st.lists(st.integers(0, 1000), max_size=4)), min_size=1, max_size=12
)


@settings(max_examples=60)
@given(frames_of_fragments, st.binary(max_size=40), st.booleans())
def test_any_split_gives_the_frames_back_whatever_the_table_says(
    plan: list[tuple[int, list[int]]], table: bytes, ended: bool
) -> None:
    streams = [codestream(length, seed) for seed, (length, _) in enumerate(plan)]
    fragments = [part for stream, (_, cuts) in zip(streams, plan, strict=True) for part in split(stream, cuts)]
    data = item(table) + b"".join(map(item, fragments)) + (END + bytes(4) if ended else b"")
    index, found = index_of(data, len(streams))
    assert index.fault is None
    assert found == streams


@settings(max_examples=60)
@given(frames_of_fragments, st.integers(0, 10_000))
def test_a_cut_anywhere_leaves_only_whole_frames_at_their_place(plan: list[tuple[int, list[int]]], cut: int) -> None:
    streams = [codestream(length, seed) for seed, (length, _) in enumerate(plan)]
    fragments = [part for stream, (_, cuts) in zip(streams, plan, strict=True) for part in split(stream, cuts)]
    data = item(b"") + b"".join(map(item, fragments))
    index, found = index_of(data[: cut % len(data)], len(streams))
    assert found == streams[: len(found)]
    assert index.fault is not None
    assert len(found) <= len(streams)


@settings(max_examples=60)
@given(frames_of_fragments, st.integers(1, 30))
def test_a_wrong_number_of_frames_is_always_noticed(plan: list[tuple[int, list[int]]], declared: int) -> None:
    streams = [codestream(length, seed) for seed, (length, _) in enumerate(plan)]
    fragments = [part for stream, (_, cuts) in zip(streams, plan, strict=True) for part in split(stream, cuts)]
    data = item(b"") + b"".join(map(item, fragments)) + END + bytes(4)
    index, found = index_of(data, declared)
    if declared == len(streams):
        assert index.fault is None
    else:
        assert index.fault == f"holds {len(found)} frames where {declared} are declared"


@settings(max_examples=200)
@given(st.binary(max_size=300), st.integers(1, 20), st.sampled_from([JPEG_SYNTAX, RLE]))
def test_any_bytes_end_as_an_index_within_the_file(data: bytes, declared: int, syntax: str) -> None:
    index, _ = index_of(item(b"") + data, declared, syntax)
    for frame in index.frames:
        for offset, length in frame:
            assert 0 <= offset <= offset + length <= 4 + 8 + len(data)
    assert index.fault is not None or len(index.frames) == declared


@given(st.integers(0, 50), st.integers(0, 2000), st.integers(0, 2000), st.integers(1, 64), st.integers(1, 20))
def test_native_frames_lie_within_the_file_and_miscounts_are_noticed(
    offset: int, length: int, size: int, frame_bytes: int, n_frames: int
) -> None:
    index = index_native(offset, length, size, frame_bytes, n_frames)
    for i, ((start, n),) in enumerate(index.frames):
        assert (start, n) == (offset + i * frame_bytes, frame_bytes)
        assert start + n <= size
    present = min(length, max(0, size - offset))
    sound = present >= n_frames * frame_bytes and length <= n_frames * frame_bytes + 1
    assert (index.fault is None) == sound
    if sound:
        assert len(index.frames) >= n_frames


@pytest.mark.parametrize("syntax", [JPEG_LS, RLE])
def test_six_thousand_frames_open_at_once(tmp_path: Path, syntax: str) -> None:
    few = speckle(4)
    path = write(
        tmp_path / "run.dcm",
        few,
        syntax,
        bend_frames=lambda frames: frames * 1500,
        NumberOfFrames=6000,
        IVUSPullbackStopFrameNumber=6000,
    )
    fastest_s = min(_opening_s(path) for _ in range(3))
    run = read_run(path)
    assert run.n_frames == 6000
    last = next(iter(run.frames(5999)))
    np.testing.assert_array_equal(last.grey, few[3])
    # The aim is 0.1 s on a quiet machine; a busy one gets some slack.
    assert fastest_s < 0.3


def _opening_s(path: Path) -> float:
    start = time.process_time()
    read_run(path)
    return time.process_time() - start


def test_the_descriptors_position_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "stream"
    path.write_bytes(item(b"") + item(codestream(4, 0)) + END + bytes(4))
    fd = os.open(path, os.O_RDONLY)
    try:
        index_encapsulated(fd, 0, path.stat().st_size, 1, JPEG_SYNTAX)
        assert os.lseek(fd, 0, os.SEEK_CUR) == 0
    finally:
        os.close(fd)
