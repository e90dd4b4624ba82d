"""A DICOM file without its pixels: what it says about itself and where the pixel data lie.

Only the attributes of `boreline.reading.keywords` are ever read, so no name, date of birth or private element can
travel further, and a large one is skipped instead of being held in memory.
"""

from __future__ import annotations

import os
import stat
import tempfile
import warnings
import weakref
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

from pydicom.dataset import Dataset
from pydicom.filereader import read_dataset

from boreline.errors import CHECK_ACCESS, InputRefused
from boreline.reading.attributes import Attributes, tag_of
from boreline.reading.keywords import KEYWORDS
from boreline.reading.syntaxes import DEFLATED, EXPLICIT_BIG, EXPLICIT_LITTLE, IMPLICIT_LITTLE

LARGEST_VALUE_BYTES = 4 << 20
LARGEST_INFLATED_BYTES = 512 << 20

_TAGS = [tag_of(keyword) for keyword in KEYWORDS]
_FIRST_PIXEL_TAG = 0x7FE00008
_PIXEL_DATA = 0x7FE00010
_CHUNK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class PixelElement:
    """The Pixel Data element: where its value starts in the file, and its length (None = encapsulated).

    `words` tells that it is written as 16-bit words, which swaps pairs of bytes in a big-endian file.
    """

    offset: int
    length: int | None
    words: bool = False


@dataclass(frozen=True, slots=True)
class Header:
    """One DICOM file without its pixels.

    Attributes
    ----------
    pixels_path
        The file that holds the pixel data: `path` itself, or the inflated copy of a deflated file.
    pixels
        None without Pixel Data (7FE0,0010).
    inflated
        Keeps the inflated copy alive; it vanishes with the last header that refers to it.
    """

    path: Path
    attributes: Attributes
    transfer_syntax_uid: str
    pixels_path: Path
    pixels: PixelElement | None
    warnings: tuple[str, ...] = ()
    inflated: object = field(default=None, repr=False)

    @property
    def sop_class_uid(self) -> str:
        """Empty when the file states none."""
        return self.attributes.text("SOPClassUID") or ""


def read_header(path: Path) -> Header:
    """Read what a DICOM file says about itself, a few milliseconds whatever its size.

    Raises
    ------
    InputRefused
        It is no regular file, no DICOM file, or its header cannot be parsed.
    """
    try:
        _require_regular(path)
        with path.open("rb") as file:
            return _read(path, file)
    except InputRefused:
        raise
    except OSError as fault:
        raise _unreadable(path, fault) from None
    except Exception as fault:  # the library has no one error for malformed data sets
        raise InputRefused(
            f"its DICOM header cannot be parsed ({type(fault).__name__})", file=path, remedy="export it again"
        ) from None


def media_class(path: Path) -> str | None:
    """The object's class as the file header states it, without reading further; None when there is no file header.

    Raises
    ------
    InputRefused
        It cannot be read, or is no DICOM file.
    """
    try:
        _require_regular(path)
        with path.open("rb") as file:
            head = file.read(132)
            if head[128:] != b"DICM":
                return None
            return Attributes(_parse(file, EXPLICIT_LITTLE, of_file_meta=True), path).text("MediaStorageSOPClassUID")
    except OSError as fault:
        raise _unreadable(path, fault) from None
    except InputRefused:
        raise
    except Exception as fault:  # the library has no one error for malformed data sets
        raise InputRefused(
            f"its DICOM header cannot be parsed ({type(fault).__name__})", file=path, remedy="export it again"
        ) from None


def _unreadable(path: Path, fault: OSError) -> InputRefused:
    return InputRefused(f"cannot be read ({fault.strerror or fault})", file=path, remedy=CHECK_ACCESS)


def _require_regular(path: Path) -> None:
    """A pipe or a device could block for ever."""
    if not stat.S_ISREG(path.stat().st_mode):
        what = "is a folder, not a file" if path.is_dir() else "is not a regular file"
        raise InputRefused(what, file=path, remedy="give a DICOM file; 'boreline inspect FOLDER' lists them")


def _read(path: Path, file: BinaryIO) -> Header:
    head = file.read(132)
    if head[128:] == b"DICM":
        meta = _parse(file, EXPLICIT_LITTLE, of_file_meta=True)
        syntax = Attributes(meta, path).text("TransferSyntaxUID")
        if syntax == DEFLATED:
            return _read_inflated(path, file)
        if syntax:
            return _finish(path, file, syntax, ())
        start = file.tell()
        note = "the file states no transfer syntax: read as {}"
    elif head[:1] in (b"\x02", b"\x08") and head[1:2] == b"\0":
        file.seek(0)
        meta = _parse(file, EXPLICIT_LITTLE, of_file_meta=True)
        stated = Attributes(meta, path).text("TransferSyntaxUID")
        if stated:
            return _finish(path, file, stated, ("the file lacks the DICOM preamble",))
        start = 0
        note = "the file has no DICOM file header: read as {}"
    else:
        raise InputRefused(
            "is empty" if not head else "is not a DICOM file",
            file=path,
            remedy="boreline inspect FOLDER tells which files are runs",
        )
    for syntax, name in ((IMPLICIT_LITTLE, "implicit little endian"), (EXPLICIT_LITTLE, "explicit little endian")):
        file.seek(start)
        header = _finish(path, file, syntax, (note.format(name),))
        if header.sop_class_uid and header.attributes.has("Rows"):
            return header
    raise InputRefused("is not a DICOM image", file=path, remedy="boreline inspect FOLDER tells which files are runs")


def _finish(
    path: Path, file: BinaryIO, syntax: str, notes: tuple[str, ...], inflated: _InflatedCopy | None = None
) -> Header:
    dataset = _parse(file, syntax)
    return Header(
        path=path,
        attributes=Attributes(dataset, path),
        transfer_syntax_uid=syntax,
        pixels_path=path if inflated is None else inflated.path,
        pixels=_pixel_element(file, syntax),
        warnings=notes,
        inflated=inflated,
    )


def _parse(file: BinaryIO, syntax: str, *, of_file_meta: bool = False) -> Dataset:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if of_file_meta:
            return read_dataset(
                file,
                False,
                True,
                stop_when=lambda tag, _vr, _length: tag >> 16 != 2,
                defer_size=LARGEST_VALUE_BYTES,
            )
        return read_dataset(
            file,
            syntax == IMPLICIT_LITTLE,
            syntax != EXPLICIT_BIG,
            stop_when=lambda tag, _vr, _length: tag >= _FIRST_PIXEL_TAG,
            defer_size=LARGEST_VALUE_BYTES,
            specific_tags=list(_TAGS),
        )


def _pixel_element(file: BinaryIO, syntax: str) -> PixelElement | None:
    order: Literal["big", "little"] = "big" if syntax == EXPLICIT_BIG else "little"
    start = file.tell()
    head = file.read(12)
    group, element = (int.from_bytes(head[i : i + 2], order) for i in (0, 2))
    if group << 16 | element != _PIXEL_DATA or len(head) < 8:
        return None
    # Without a stated type these two bytes begin the length, which is even; the three words would make it odd.
    long_form = head[4:6] in (b"OB", b"OW", b"UN")
    at = 8 if long_form else 4
    length = int.from_bytes(head[at : at + 4], order)
    return PixelElement(start + at + 4, None if length == 0xFFFFFFFF else length, words=head[4:6] == b"OW")


class _InflatedCopy:
    """A temporary file that is removed with the last header that refers to it."""

    def __init__(self) -> None:
        handle, name = tempfile.mkstemp(prefix="boreline-", suffix=".dcm")
        os.close(handle)
        self.path = Path(name)
        weakref.finalize(self, self.path.unlink, missing_ok=True)


def _read_inflated(path: Path, file: BinaryIO) -> Header:
    """Inflate the data set into a temporary file, up to a limit, and read it there (PS3.5 A.5)."""
    copy = _InflatedCopy()
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    total = 0
    with copy.path.open("w+b") as inflated:
        try:
            while not inflater.eof and (chunk := inflater.unconsumed_tail or file.read(_CHUNK_BYTES)):
                total += inflated.write(inflater.decompress(chunk, _CHUNK_BYTES))
                if total > LARGEST_INFLATED_BYTES:
                    raise _too_large(path)
        except zlib.error:
            raise InputRefused("its deflated data set is damaged", file=path, remedy="export it again") from None
        inflated.seek(0)
        return _finish(path, inflated, DEFLATED, (), copy)


def _too_large(path: Path) -> InputRefused:
    return InputRefused(
        f"inflates to more than {LARGEST_INFLATED_BYTES >> 20} MB",
        file=path,
        remedy="export it in a transfer syntax other than Deflated Explicit VR Little Endian",
    )
