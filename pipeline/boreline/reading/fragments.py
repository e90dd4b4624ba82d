"""Where each frame lies in a file: our own index, counted and compared, never taken from an offset table.

A library that follows a wrong Basic Offset Table skips or drops frames without a word, and every later
frame then sits at the wrong millimetre. Here the fragments are walked (PS3.5 A.4), grouped by the start
markers of their codestreams, and their number is compared with Number of Frames.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from itertools import pairwise

from boreline.reading.syntaxes import RLE

Span = tuple[int, int]
"""Offset in the file and length, in bytes."""

MOST_FRAGMENTS = 1_000_000

_PADDING_BYTES = 64  # writers pad a codestream to an even length; some pad more
_ITEM = b"\xfe\xff\x00\xe0"
_SEQUENCE_END = b"\xfe\xff\xdd\xe0"
_JPEG_STARTS = (b"\xff\xd8\xff", b"\xff\x4f\xff\x51")  # JPEG and JPEG-LS; JPEG 2000
_RLE_FIRST_SEGMENT = (64).to_bytes(4, "little")  # the header of PS3.5 G.5 is 64 bytes long
_JPEG_END = b"\xff\xd9"


@dataclass(frozen=True, slots=True)
class FrameIndex:
    """Where the frames are.

    Attributes
    ----------
    frames
        The whole frames, in order, each one or more spans.
    fault
        Why they are not what the file declares, or None when they are.
    warnings
        One line each; the frames are sound.
    """

    frames: tuple[tuple[Span, ...], ...]
    fault: str | None = None
    warnings: tuple[str, ...] = ()


def index_native(offset: int, length: int | None, size: int, frame_bytes: int, n_frames: int) -> FrameIndex:
    """Index unencapsulated frames, each `frame_bytes` long, one after the other.

    Parameters
    ----------
    offset, length
        Of the Pixel Data value in the file.
    size
        Of the file in bytes.
    """
    if length is None:
        return FrameIndex((), "pixel data of undefined length under a native transfer syntax")
    present = max(0, min(length, size - offset))
    whole = min(present // frame_bytes, MOST_FRAGMENTS)
    frames = tuple(((offset + i * frame_bytes, frame_bytes),) for i in range(whole))
    expected = frame_bytes * n_frames
    if present < expected:
        return FrameIndex(frames, f"truncated: {whole} of {n_frames} frames are whole")
    if length > expected + 1:  # one byte pads an odd length
        return FrameIndex(frames, f"holds {whole} frames where {n_frames} are declared")
    return FrameIndex(frames)


def index_encapsulated(
    fd: int, offset: int, size: int, n_frames: int, transfer_syntax_uid: str, extended_table: tuple[int, ...] = ()
) -> FrameIndex:
    """Walk the fragments of encapsulated pixel data and group them into frames.

    Parameters
    ----------
    fd
        Open file descriptor; it is read at positions, its own position stays.
    offset
        Of the first item (the Basic Offset Table) in the file.
    size
        Of the file in bytes.
    extended_table
        Extended Offset Table (7FE0,0001), only compared with what is found.
    """
    walk = _walk(fd, offset, size)
    if walk.problem:
        return FrameIndex((), walk.problem)
    is_rle = transfer_syntax_uid == RLE
    first = _first_fragments(fd, walk, n_frames, is_rle)
    bounds = [*first, len(walk.spans)]
    frames = [tuple(walk.spans[a:b]) for a, b in pairwise(bounds)]
    cut = walk.cut
    if not walk.ended and frames and not is_rle and not _ends(fd, frames[-1][-1]):
        frames.pop()  # the fragments that would complete it are missing
        cut = True
    if cut:
        return FrameIndex(tuple(frames), f"truncated: {min(len(frames), n_frames)} of {n_frames} frames are whole")
    notes: tuple[str, ...] = () if walk.ended else ("the delimiter that should end the pixel data is missing",)
    if len(frames) != n_frames:
        return FrameIndex(tuple(frames), f"holds {len(frames)} frames where {n_frames} are declared", notes)
    starts = tuple(frame[0][0] - 8 - walk.base for frame in frames)
    for name, table in (("Basic", walk.table), ("Extended", extended_table)):
        if table and table != starts:
            notes += (f"the {name} Offset Table is wrong; frames were found without it",)
    return FrameIndex(tuple(frames), None, notes)


@dataclass(frozen=True, slots=True)
class _Walk:
    """The fragments as they follow each other in the file."""

    spans: list[Span]
    heads: list[bytes]  # their first eight bytes
    table: tuple[int, ...]  # the Basic Offset Table
    base: int  # what the table counts from
    ended: bool  # the sequence delimiter was met
    cut: bool  # the file ends, or stops making sense, within a fragment
    problem: str | None = None


def _walk(fd: int, offset: int, size: int) -> _Walk:
    head = os.pread(fd, 8, offset)
    table_bytes = int.from_bytes(head[4:8], "little")
    base = offset + 8 + table_bytes
    if len(head) < 8 or head[:4] != _ITEM or base > size:
        return _Walk([], [], (), offset, False, True, "the pixel data do not start with an offset table item")
    table = struct.unpack(f"<{table_bytes // 4}I", os.pread(fd, table_bytes // 4 * 4, offset + 8))
    spans: list[Span] = []
    heads: list[bytes] = []
    position = base
    while len(spans) < MOST_FRAGMENTS:
        head = os.pread(fd, 16, position)
        if len(head) < 8:
            return _Walk(spans, heads, table, base, False, len(head) > 0)
        if head[:4] == _SEQUENCE_END:
            return _Walk(spans, heads, table, base, True, False)
        length = int.from_bytes(head[4:8], "little")
        if head[:4] != _ITEM or position + 8 + length > size:
            return _Walk(spans, heads, table, base, False, True)
        spans.append((position + 8, length))
        heads.append(head[8 : 8 + min(8, length)])
        position += 8 + length
    return _Walk([], [], table, base, False, True, f"holds more than {MOST_FRAGMENTS} fragments")


def _first_fragments(fd: int, walk: _Walk, n_frames: int, is_rle: bool) -> list[int]:
    """Which fragments begin a frame.

    With as many fragments as frames each is one, even with a damaged start, unless it plainly carries on
    an unfinished codestream: then one frame was split and another is missing, and the markers decide.
    """
    heads = [head + after for head, after in pairwise([*walk.heads, b""])]  # a fragment may be shorter than a marker
    marked = [_is_rle_start(head) if is_rle else head.startswith(_JPEG_STARTS) for head in heads]
    everyone = list(range(len(marked)))
    if len(marked) == n_frames and (is_rle or not any(_carries_on(fd, walk, marked, i) for i in everyone)):
        return everyone
    return [i for i in everyone if marked[i] or i == 0]


def _carries_on(fd: int, walk: _Walk, marked: list[bool], i: int) -> bool:
    return i > 0 and not marked[i] and not _ends(fd, walk.spans[i - 1])


def _is_rle_start(head: bytes) -> bool:
    return 1 <= int.from_bytes(head[:4], "little") <= 15 and head[4:8] == _RLE_FIRST_SEGMENT


def _ends(fd: int, span: Span) -> bool:
    offset, length = span
    tail = os.pread(fd, min(length, _PADDING_BYTES), offset + length - min(length, _PADDING_BYTES))
    return tail.rstrip(b"\0").endswith(_JPEG_END)
