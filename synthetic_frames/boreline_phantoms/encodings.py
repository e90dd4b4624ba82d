"""Transfer syntaxes a synthetic run can be written in, one encoder each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import imagecodecs
import numpy as np
import numpy.typing as npt

from boreline.errors import InputRefused

Pixels = npt.NDArray[np.uint8]
MONOCHROME = "MONOCHROME2"


@dataclass(frozen=True, slots=True)
class Encoding:
    """One transfer syntax.

    Attributes
    ----------
    encode
        Turns one frame, (rows, columns) or (rows, columns, 3), into its bytes.
    photometric
        What a colour frame can be stored as; MONOCHROME2 is always possible.
    lossy_method
        Lossy Image Compression Method (0028,2114), None when nothing is lost.
    """

    uid: str
    encode: Callable[[Pixels], bytes]
    photometric: tuple[str, ...]
    lossy_method: str | None = None

    @property
    def encapsulated(self) -> bool:
        """Frames are stored as fragments."""
        return self.uid not in ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1")


def _rle(frame: Pixels) -> bytes:
    from rle.utils import encode_pixel_data

    samples = 1 if frame.ndim == 2 else 3
    return bytes(
        encode_pixel_data(
            np.ascontiguousarray(frame).tobytes(),
            rows=frame.shape[0],
            columns=frame.shape[1],
            samples_per_pixel=samples,
            bits_allocated=8,
            byteorder="<",
        )
    )


def _jpeg(frame: Pixels) -> bytes:
    import simplejpeg

    if frame.ndim == 2:
        return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(frame[..., None]), 90, "GRAY"))
    return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(frame), 90, "RGB", "422"))


def _jpeg_lossless(frame: Pixels) -> bytes:
    return bytes(imagecodecs.jpeg8_encode(frame, lossless=True, predictor=1))  # selection value 1, as .4.70 prescribes


def _jpeg_ls(frame: Pixels, allowed_error: int = 0) -> bytes:
    room = 2 * frame.nbytes + 1024  # noise may grow
    return bytes(imagecodecs.jpegls_encode(np.ascontiguousarray(frame), level=allowed_error, out=room))


def _jpeg_ls_near(frame: Pixels) -> bytes:
    return _jpeg_ls(frame, 2)


def _jpeg2000(frame: Pixels) -> bytes:
    return bytes(imagecodecs.jpeg2k_encode(frame, codecformat="j2k", reversible=True, level=0, mct=frame.ndim == 3))


def _jpeg2000_lossy(frame: Pixels) -> bytes:
    return bytes(imagecodecs.jpeg2k_encode(frame, codecformat="j2k", reversible=False, level=42, mct=frame.ndim == 3))


def _native(frame: Pixels) -> bytes:
    return np.ascontiguousarray(frame).tobytes()


ENCODINGS = {
    "explicit": Encoding("1.2.840.10008.1.2.1", _native, ("RGB",)),
    "implicit": Encoding("1.2.840.10008.1.2", _native, ("RGB",)),
    "rle": Encoding("1.2.840.10008.1.2.5", _rle, ("RGB", "YBR_FULL")),
    "jpeg": Encoding("1.2.840.10008.1.2.4.50", _jpeg, ("YBR_FULL_422",), "ISO_10918_1"),
    "jpeg-lossless": Encoding("1.2.840.10008.1.2.4.70", _jpeg_lossless, ("RGB",)),
    "jpeg-ls": Encoding("1.2.840.10008.1.2.4.80", _jpeg_ls, ("RGB",)),
    "jpeg-ls-near": Encoding("1.2.840.10008.1.2.4.81", _jpeg_ls_near, ("RGB",), "ISO_14495_1"),
    "jpeg2000": Encoding("1.2.840.10008.1.2.4.90", _jpeg2000, ("YBR_RCT",)),
    "jpeg2000-lossy": Encoding("1.2.840.10008.1.2.4.91", _jpeg2000_lossy, ("YBR_ICT",), "ISO_15444_1"),
}


def find_encoding(name: str, photometric: str = MONOCHROME) -> Encoding:
    """The encoding called `name`.

    Raises
    ------
    InputRefused
        There is none, or it cannot carry `photometric`.
    """
    if name not in ENCODINGS:
        raise InputRefused(f"no encoding {name!r}", tag="--encoding", remedy=f"choose from {', '.join(ENCODINGS)}")
    encoding = ENCODINGS[name]
    if photometric != MONOCHROME and photometric not in encoding.photometric:
        choices = ", ".join((MONOCHROME, *encoding.photometric))
        raise InputRefused(f"{name} does not carry {photometric}", tag="photometric", remedy=f"choose from {choices}")
    return encoding


def to_samples(grey: Pixels, photometric: str) -> Pixels:
    """A grey frame as the samples to encode: the same, RGB, or luma with neutral chroma."""
    if photometric == MONOCHROME:
        return grey
    if photometric == "YBR_FULL":
        neutral = np.full_like(grey, 128)
        return np.stack([grey, neutral, neutral], axis=-1)
    return np.repeat(grey[..., None], 3, axis=-1)
