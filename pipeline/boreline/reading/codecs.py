"""One pinned decoder per transfer syntax: the bytes of a frame in, its samples out.

The decoder never depends on what else is installed, so areas do not either. All of these release the
interpreter lock, so decoding runs beside the analysis.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from itertools import pairwise

import imagecodecs
import numpy as np
import numpy.typing as npt
import simplejpeg

from boreline.reading.layout import PixelLayout
from boreline.reading.syntaxes import (
    EXPLICIT_BIG,
    JPEG_2000,
    JPEG_2000_LOSSLESS,
    JPEG_BASELINE,
    JPEG_EXTENDED,
    JPEG_LOSSLESS,
    JPEG_LOSSLESS_14,
    JPEG_LS,
    JPEG_LS_NEAR,
    NATIVE,
    RLE,
)

Samples = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
"""(rows, columns) or (rows, columns, 3), as stored: colour spaces are not converted here."""


_STRAY_BYTES = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_MOST_STRAY_BYTES = 16
_MARKER = re.compile(rb"\xff[\x80-\xff]")  # within a scan, 0xFF is followed by a zero bit (ITU-T T.87 A.1)
_START_OF_SCAN = 0xDA
_JPEG_LS_SCAN_MARKERS = frozenset({0xD9, _START_OF_SCAN, 0xF8, *range(0xD0, 0xD8)})
"""End of image, next scan, preset parameters, restart: what may follow entropy-coded data."""

_JPEG_2000_START = b"\xff\x4f\xff\x51"
_JP2_SIGNATURE = b"\0\0\0\x0cjP  \r\n\x87\n"
_LONGEST_JP2_HEAD = 1 << 16

_MOST_RLE_PADDING = 8  # pixels that padding bytes after a segment may decode to


class CodecFault(ValueError):
    """The bytes of one frame cannot be decoded; the message says why."""


@dataclass(frozen=True, slots=True)
class Codec:
    """A decoder for one transfer syntax.

    Attributes
    ----------
    name
        Library and version, for the record.
    decode
        Bytes and layout to samples.
    luma
        Bytes and layout to grey alone where that is quicker, (rows, columns) uint8, or None.
    rgb_out
        Colour comes out as RGB although the stream stores something else.
    """

    name: str
    decode: Callable[[bytes, PixelLayout], Samples]
    luma: Callable[[bytes, PixelLayout], Samples] | None = None
    rgb_out: bool = False


def codec_for(transfer_syntax_uid: str, layout: PixelLayout, *, words: bool = False) -> Codec | None:
    """The codec for a transfer syntax and layout; None when there is none.

    `words` tells that native pixels are written as 16-bit words.
    """
    if transfer_syntax_uid in NATIVE:
        big_endian = transfer_syntax_uid == EXPLICIT_BIG and (words or layout.bits_allocated == 16)
        return Codec(f"numpy {version('numpy')}", partial(_native, big_endian=big_endian))
    images = f"imagecodecs {version('imagecodecs')}"
    if transfer_syntax_uid == RLE:
        return Codec(f"{images} packbits", _rle)
    if transfer_syntax_uid in (JPEG_BASELINE, JPEG_EXTENDED) and layout.bits_allocated == 8:
        return Codec(
            f"simplejpeg {version('simplejpeg')}",
            _jpeg_rgb if layout.samples == 3 else _jpeg_grey,
            _jpeg_grey,
            rgb_out=True,
        )
    if transfer_syntax_uid in (JPEG_LOSSLESS, JPEG_LOSSLESS_14) and layout.bits_allocated == 8 and layout.samples == 1:
        return Codec(f"simplejpeg {version('simplejpeg')}", _jpeg_grey)
    if transfer_syntax_uid in (JPEG_EXTENDED, JPEG_LOSSLESS, JPEG_LOSSLESS_14):
        return Codec(f"{images} jpeg8", _jpeg8)
    if transfer_syntax_uid in (JPEG_LS, JPEG_LS_NEAR):
        return Codec(f"{images} jpegls", _jpegls)
    if transfer_syntax_uid in (JPEG_2000, JPEG_2000_LOSSLESS):
        return Codec(f"{images} jpeg2k", _jpeg2k, rgb_out=True)
    return None


def _native(data: bytes, layout: PixelLayout, *, big_endian: bool) -> Samples:
    if big_endian and layout.bits_allocated == 8:
        data = np.frombuffer(data, dtype=">u2").astype("<u2").tobytes()
    if layout.photometric == "YBR_FULL_422":
        return _spread_chroma(data, layout)
    kind = ">u2" if big_endian else "<u2"
    flat = np.frombuffer(data, dtype=np.uint8 if layout.bits_allocated == 8 else kind)
    if layout.bits_allocated == 16:
        flat = flat.astype(np.uint16, copy=False)
    return _shape(flat, layout)


def _shape(flat: Samples, layout: PixelLayout) -> Samples:
    if layout.samples == 1:
        return flat.reshape(layout.rows, layout.columns)
    if layout.planar:
        return np.moveaxis(flat.reshape(layout.samples, layout.rows, layout.columns), 0, -1)
    return flat.reshape(layout.rows, layout.columns, layout.samples)


def _spread_chroma(data: bytes, layout: PixelLayout) -> Samples:
    """Two pixels are stored as Y Y Cb Cr (PS3.3 C.7.6.3.1.2)."""
    quads = np.frombuffer(data, dtype=np.uint8).reshape(layout.rows, layout.columns // 2, 4)
    out = np.empty((layout.rows, layout.columns, 3), dtype=np.uint8)
    out[:, 0::2, 0] = quads[..., 0]
    out[:, 1::2, 0] = quads[..., 1]
    for channel in (1, 2):
        out[..., channel] = np.repeat(quads[..., channel + 1], 2, axis=1)
    return out


def _rle(data: bytes, layout: PixelLayout) -> Samples:
    """PS3.5 annex G: one PackBits segment per byte plane, most significant byte first."""
    planes = layout.samples * layout.bytes_per_sample
    header = np.frombuffer(data[:64].ljust(64, b"\0"), dtype="<u4")
    if header[0] != planes:
        raise CodecFault(f"RLE header counts {header[0]} segments instead of {planes}")
    bounds = [*(int(offset) for offset in header[1 : planes + 1]), len(data)]
    n = layout.rows * layout.columns
    segments = []
    for start, stop in pairwise(bounds):
        if not 64 <= start < stop <= len(data):
            raise CodecFault("RLE segments lie outside the frame")
        if (stop - start) * 128 < n:
            raise CodecFault("RLE segment is too short for its frame")
        plane = np.frombuffer(imagecodecs.packbits_decode(data[start:stop]), dtype=np.uint8)
        if not n <= len(plane) <= n + _MOST_RLE_PADDING:
            raise CodecFault(f"RLE segment holds {len(plane)} instead of {n} pixels")
        segments.append(plane[:n].reshape(layout.rows, layout.columns))
    if layout.bytes_per_sample == 2:
        return np.stack(segments[::-1], axis=-1).view("<u2")[..., 0]
    return segments[0] if layout.samples == 1 else np.stack(segments, axis=-1)


def _jpeg_grey(data: bytes, layout: PixelLayout) -> Samples:
    _require(_jpeg_picture(data), layout, components=(1, 3))
    return _jpeg(data, "GRAY")[..., 0]


def _jpeg_rgb(data: bytes, layout: PixelLayout) -> Samples:
    _require(_jpeg_picture(data), layout, components=(3,))
    return _jpeg(data, "RGB")


def _jpeg(data: bytes, space: str) -> Samples:
    """Decode strictly, but for a few stray bytes before the end marker, which some writers leave.

    libjpeg reports the first trouble only, so nothing before the stray bytes was wrong.
    """
    try:
        decoded: Samples = simplejpeg.decode_jpeg(data, space)
    except ValueError as fault:
        stray = _STRAY_BYTES.search(str(fault))
        if stray is None or int(stray[1]) > _MOST_STRAY_BYTES:
            raise
        decoded = simplejpeg.decode_jpeg(data, space, strict=False)
    return decoded


def _jpeg8(data: bytes, layout: PixelLayout) -> Samples:
    _require(_jpeg_picture(data), layout, components=(layout.samples,))
    _require_end(data)  # the decoder fills what is missing without a word
    # Naming the same colour space twice leaves the components as they are stored.
    space = "grayscale" if layout.samples == 1 else "rgb"
    return _checked(imagecodecs.jpeg8_decode(data, colorspace=space, outcolorspace=space), layout)


def _jpegls(data: bytes, layout: PixelLayout) -> Samples:
    _require(_jpeg_picture(data), layout, components=(layout.samples,))
    _require_end(data)  # the decoder searches for seconds behind the end of a stream that lacks its marker
    _require_unbroken_scan(data)
    return _checked(imagecodecs.jpegls_decode(data), layout)


def _jpeg2k(data: bytes, layout: PixelLayout) -> Samples:
    _require(_jpeg2k_picture(data), layout, components=(layout.samples,))
    return _checked(imagecodecs.jpeg2k_decode(data), layout)


def _require_end(data: bytes) -> None:
    if not data.rstrip(b"\0").endswith(b"\xff\xd9"):
        raise CodecFault("the codestream has no end")


def _checked(samples: Samples, layout: PixelLayout) -> Samples:
    shape = (layout.rows, layout.columns) + ((3,) if layout.samples == 3 else ())
    if samples.shape != shape:
        raise CodecFault(f"the codestream holds {samples.shape}, not {shape}")
    if samples.dtype != np.uint8 and (samples.dtype != np.uint16 or layout.bits_allocated == 8):
        raise CodecFault(
            f"the codestream holds {samples.dtype} samples, the header allocates {layout.bits_allocated} bits"
        )
    return samples


Picture = tuple[int, int, int]
"""Rows, columns and components that a codestream claims."""


def _require(picture: Picture, layout: PixelLayout, *, components: tuple[int, ...]) -> None:
    """Compare before decoding: a codestream may claim any size, and equal products reshape silently."""
    rows, columns, found = picture
    if (rows, columns) != (layout.rows, layout.columns):
        raise CodecFault(
            f"the codestream is {columns} x {rows}, the header says {layout.columns} x {layout.rows} pixels"
        )
    if found not in components:
        raise CodecFault(f"the codestream has {found} components, the header says {layout.samples}")


def _segments(data: bytes) -> Iterator[tuple[int, int]]:
    """Marker and position of each segment up to the first scan (ITU-T T.81 B.1.1)."""
    position = 2
    while position + 4 <= len(data) and data[position] == 0xFF:
        marker = data[position + 1]
        if marker == 0xFF:  # fill byte
            position += 1
            continue
        yield marker, position
        if marker == _START_OF_SCAN:
            return
        position += 2 + int.from_bytes(data[position + 2 : position + 4], "big")


def _jpeg_picture(data: bytes) -> Picture:
    """What the start-of-frame segment says (ITU-T T.81 B.2.2, T.87 C.2.2)."""
    for marker, position in _segments(data):
        is_frame = marker == 0xF7 or (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC))
        if is_frame and position + 10 <= len(data):
            rows, columns = (int.from_bytes(data[position + i : position + i + 2], "big") for i in (5, 7))
            return rows, columns, data[position + 9]
    raise CodecFault("no start of frame in the codestream")


def _require_unbroken_scan(data: bytes) -> None:
    for marker, position in _segments(data):
        if marker == _START_OF_SCAN:
            start = position + 2 + int.from_bytes(data[position + 2 : position + 4], "big")
            first = _MARKER.search(data, start)
            if first is not None and first[0][1] in _JPEG_LS_SCAN_MARKERS:
                return
    raise CodecFault("the codestream breaks off within its scan")


def _jpeg2k_picture(data: bytes) -> Picture:
    """What the SIZ segment says (ITU-T T.800 A.5.1); some writers leave the codestream in its JP2 file (annex I)."""
    start = data.find(_JPEG_2000_START, 0, _LONGEST_JP2_HEAD) if data.startswith(_JP2_SIGNATURE) else 0
    head = data[max(start, 0) :][:42]
    if head[:4] != _JPEG_2000_START or len(head) < 42:
        raise CodecFault("no image size in the codestream")
    x1, y1, x0, y0 = (int.from_bytes(head[i : i + 4], "big") for i in (8, 12, 16, 20))
    return y1 - y0, x1 - x0, int.from_bytes(head[40:42], "big")
