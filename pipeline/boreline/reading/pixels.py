"""The pixels of one file: located, checked and ready to be decoded frame by frame."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from boreline.errors import CHECK_ACCESS, InputRefused
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.codecs import Codec, CodecFault, Samples, codec_for
from boreline.reading.fragments import FrameIndex, index_encapsulated, index_native
from boreline.reading.frames import FileState, FrameBytes
from boreline.reading.header import Header, PixelElement
from boreline.reading.layout import PixelLayout, read_layout, require_pixels, stated_frames
from boreline.reading.syntaxes import EXPLICIT_BIG, NATIVE, is_video, uid_name

SampleReader = Callable[[int, bool], Samples]
"""Decodes the frame of that number, luma alone where asked and possible; raises `CodecFault`."""


class PixelStack(Protocol):
    """Frames of one layout, wherever they lie."""

    @property
    def layout(self) -> PixelLayout:
        """What every frame looks like."""

    @property
    def codec(self) -> Codec:
        """What decodes them."""

    @property
    def n_frames(self) -> int:
        """Frames that can be read."""

    def opened(self) -> AbstractContextManager[SampleReader]:
        """A reader, valid until the context ends."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """One file's frames.

    Attributes
    ----------
    stated_frames
        What the file declares; `n_frames` differs only where the operator asked for the whole frames alone.
    """

    layout: PixelLayout
    codec: Codec
    bytes: FrameBytes
    stated_frames: int
    warnings: tuple[str, ...]

    @property
    def n_frames(self) -> int:
        """Frames that can be read."""
        return len(self.bytes.frames)

    @contextmanager
    def opened(self) -> Iterator[SampleReader]:
        """Open the file; the reader it gives may be used from several threads until it is closed.

        Raises
        ------
        StageFailed
            The file is gone or has changed since its frames were located.
        """
        fd = self.bytes.open()
        try:
            yield partial(self._samples, fd)
        finally:
            os.close(fd)

    def _samples(self, fd: int, number: int, luma: bool) -> Samples:
        data = self.bytes.read(fd, number)
        if len(data) < sum(length for _, length in self.bytes.frames[number]):
            raise CodecFault("the file ends within the frame")
        decode = self.codec.luma if luma and self.codec.luma else self.codec.decode
        try:
            return decode(data, self.layout)
        except CodecFault:
            raise
        except Exception as fault:  # every decoder has errors of its own
            raise CodecFault(f"{self.codec.name}: {fault}") from None


def locate_pixels(header: Header, *, whole_frames_only: bool) -> Pixels:
    """Check the layout, find a decoder and locate every frame; nothing is decoded.

    Raises
    ------
    InputRefused
        The layout is impossible, the transfer syntax is not read, or the frames are not what the file declares
        (unless `whole_frames_only`).
    """
    require_pixels(header)
    uid = header.transfer_syntax_uid
    if is_video(uid):
        raise _not_read(header, f"video transfer syntax {uid_name(uid)}")
    layout = read_layout(header)
    words = header.pixels is not None and header.pixels.words
    codec = codec_for(uid, layout, words=words)
    if uid == EXPLICIT_BIG and words and layout.frame_bytes % 2:
        raise _not_read(header, "frames of an odd number of bytes written as big-endian words are not read")
    if codec is None:
        raise _not_read(header, f"transfer syntax {uid_name(uid)} is not read")
    declared = stated_frames(header)
    state, index = _index(header, layout, declared)
    notes = [*header.warnings, *index.warnings]
    if index.fault:
        if not whole_frames_only or not index.frames:
            remedy = "add --whole-frames-only to use them" if index.frames else "export it again"
            raise InputRefused(index.fault, file=header.path, tag=tag_name("PixelData"), remedy=remedy)
        notes.append(f"{index.fault}: the {len(index.frames)} whole frames are used (--whole-frames-only)")
    located = FrameBytes(header.pixels_path, state, index.frames, header.inflated)
    return Pixels(layout, codec, located, declared, tuple(notes))


def _not_read(header: Header, problem: str) -> InputRefused:
    return InputRefused(
        problem, file=header.path, tag="(0002,0010) TransferSyntaxUID", remedy="export it uncompressed or as JPEG"
    )


def _index(header: Header, layout: PixelLayout, n_frames: int) -> tuple[FileState, FrameIndex]:
    element = header.pixels
    if not isinstance(element, PixelElement):
        raise TypeError("require_pixels comes first")
    try:
        fd = os.open(header.pixels_path, os.O_RDONLY)
    except OSError as fault:
        raise InputRefused(f"cannot be read ({fault.strerror})", file=header.path, remedy=CHECK_ACCESS) from None
    try:
        state = FileState.of(os.fstat(fd))
        uid = header.transfer_syntax_uid
        if uid in NATIVE:
            return state, index_native(element.offset, element.length, state.size, layout.frame_bytes, n_frames)
        if element.length is not None:
            return state, FrameIndex((), f"pixel data are not encapsulated although {uid_name(uid)} requires it")
        table = _extended_table(header.attributes)
        return state, index_encapsulated(fd, element.offset, state.size, n_frames, uid, table)
    finally:
        os.close(fd)


def _extended_table(attributes: Attributes) -> tuple[int, ...]:
    try:
        return tuple(int(offset) for offset in attributes.numbers("ExtendedOffsetTable"))
    except InputRefused:
        return (-1,)  # unreadable: wrong, whatever the frames are
