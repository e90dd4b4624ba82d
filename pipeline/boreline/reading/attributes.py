"""DICOM attributes as plain numbers and words, read strictly: one parser for every value.

The library turns a malformed number into a text without a word. Here every value is parsed from its raw bytes
by the dictionary's own value representation, so a vector that outgrew its representation (read as UN) is
read like any other, and a bad value names its tag.
"""

from __future__ import annotations

import math
import re
import struct
import warnings
from pathlib import Path

from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset

from boreline.errors import InputRefused

_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)  # PS3.5 6.2, DS
_INTEGER = re.compile(r"[+-]?\d{1,18}", re.ASCII)  # PS3.5 6.2, IS
_BINARY = {"US": "H", "SS": "h", "UL": "L", "SL": "l", "FL": "f", "FD": "d", "OV": "Q", "US or SS": "H"}
_UNPRINTABLE = re.compile(r"[^ -~]")
_UID = re.compile(r"[0-9.]{1,64}", re.ASCII)  # PS3.5 9.1
_MOST_SHOWN = 40


def tag_name(keyword: str) -> str:
    """How messages name an attribute, for example ``(0018,602C) PhysicalDeltaX``."""
    tag = tag_of(keyword)
    return f"({tag >> 16:04X},{tag & 0xFFFF:04X}) {keyword}"


def tag_of(keyword: str) -> int:
    """The tag number of a keyword of the data dictionary."""
    tag: int | None = tag_for_keyword(keyword)
    if tag is None:
        raise KeyError(keyword)
    return tag


class Attributes:
    """A strict view of one data set; `keyword` is always an attribute's keyword of the data dictionary."""

    def __init__(self, dataset: Dataset, file: Path) -> None:
        self._dataset = dataset
        self.file = file

    def has(self, keyword: str) -> bool:
        """The attribute is present and not empty."""
        return bool(self._raw(keyword))

    def texts(self, keyword: str) -> tuple[str, ...]:
        """Its words, stripped; none when absent or empty. What is no printable ASCII becomes ``?``."""
        raw = self._raw(keyword)
        if not raw:
            return ()
        text = _UNPRINTABLE.sub("?", raw.decode("latin-1").rstrip("\0 "))
        return tuple(word.strip(" ") for word in text.split("\\")) if text else ()

    def text(self, keyword: str) -> str | None:
        """The first word, None when there is none."""
        return next((word for word in self.texts(keyword) if word), None)

    def uid(self, keyword: str) -> str:
        """The unique identifier; empty when absent or no UID, so that it may become part of a file's name."""
        text = self.text(keyword) or ""
        return text if _UID.fullmatch(text) else ""

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """All its values; none when absent or empty.

        Raises
        ------
        InputRefused
            A value is no finite number, or no whole one where the dictionary asks for one.
        """
        vr = dictionary_VR(tag_of(keyword))
        if vr in _BINARY:
            return self._unpack(keyword, _BINARY[vr])
        pattern = _INTEGER if vr == "IS" else _DECIMAL
        return tuple(self._parse(keyword, word, pattern) for word in self.texts(keyword))

    def number(self, keyword: str) -> float | None:
        """The one value; None when absent or empty.

        Raises
        ------
        InputRefused
            It is no number, or there are several.
        """
        values = self.numbers(keyword)
        if len(values) > 1:
            raise self.refusal(f"holds {len(values)} values instead of one", keyword)
        return values[0] if values else None

    def integer(self, keyword: str) -> int | None:
        """The one whole value; None when absent or empty.

        Raises
        ------
        InputRefused
            It is no whole number, or there are several.
        """
        value = self.number(keyword)
        if value is not None and not value.is_integer():
            raise self.refusal(f"{value:g} is not a whole number", keyword)
        return None if value is None else int(value)

    def items(self, keyword: str) -> tuple[Attributes, ...]:
        """The items of a sequence; none when absent or empty.

        Raises
        ------
        InputRefused
            The bytes are no sequence.
        """
        if tag_of(keyword) not in self._dataset:
            return ()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                value = self._dataset[tag_of(keyword)].value
                items = () if value is None else tuple(value)
        except Exception as fault:  # the library has no one error for malformed sequences
            raise self.refusal(f"is no readable sequence ({type(fault).__name__})", keyword) from None
        if not all(isinstance(item, Dataset) for item in items):
            raise self.refusal("is no readable sequence", keyword)
        return tuple(Attributes(item, self.file) for item in items)

    def tags(self, keyword: str) -> tuple[int, ...]:
        """The tags that an AT attribute points to."""
        halves = self._unpack(keyword, "H")
        return tuple(int(group) << 16 | int(element) for group, element in zip(halves[::2], halves[1::2], strict=False))

    def raw_bytes(self, keyword: str) -> tuple[bytes, bool]:
        """Its bytes as they stand in the file, and whether they are little endian."""
        element = self._dataset.get_item(tag_of(keyword), keep_deferred=True)
        return self._raw(keyword), bool(getattr(element, "is_little_endian", True))

    def refusal(self, problem: str, keyword: str, remedy: str | None = None) -> InputRefused:
        """The error that names this file and attribute."""
        return InputRefused(problem, file=self.file, tag=tag_name(keyword), remedy=remedy)

    def _raw(self, keyword: str) -> bytes:
        tag = tag_of(keyword)
        if tag not in self._dataset:
            return b""
        element = self._dataset.get_item(tag, keep_deferred=True)
        if element is None:
            return b""
        if not isinstance(element, RawDataElement):
            raise self.refusal("is a sequence where a value belongs", keyword)
        if element.value is None:
            if element.length:
                raise self.refusal(f"{element.length} bytes long, which no real file holds", keyword)
            return b""
        value: object = element.value
        return value if isinstance(value, bytes) else str(value).encode("ascii", "replace")

    def _unpack(self, keyword: str, code: str) -> tuple[float, ...]:
        raw = self._raw(keyword)
        if not raw:
            return ()
        size = struct.calcsize(f"<{code}")
        if len(raw) % size:
            raise self.refusal(f"{len(raw)} bytes are no whole number of values", keyword)
        order = "<" if self.raw_bytes(keyword)[1] else ">"
        values = struct.unpack(f"{order}{len(raw) // size}{code}", raw)
        for value in values:
            if not math.isfinite(value):
                raise self.refusal(f"{value} is not a finite number", keyword)
        return tuple(float(value) for value in values)

    def _parse(self, keyword: str, word: str, pattern: re.Pattern[str]) -> float:
        if pattern.fullmatch(word):
            value = float(word)
            if math.isfinite(value):
                return value
        kind = "whole number" if pattern is _INTEGER else "number"
        shown = word if len(word) <= _MOST_SHOWN else word[:_MOST_SHOWN] + "..."
        raise self.refusal(f"{shown!r} is not a {kind}", keyword)
