"""Seeded damage to sound files: bytes, structure, and single attributes."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from io import BytesIO

from pydicom import dcmread
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

Mutation = Callable[[bytes, random.Random], bytes]

NASTY_TEXTS = (
    b"", b" ", b"nan", b"NaN", b"inf", b"-inf", b"1e999", b"-1", b"0", b"33,3", b"0x10", b"1_000", b"\\\\\\",
    b"1\\2\\3\\4", b"9" * 64, b"\x00\x00", b"\xff\xfe\x00A", b"\x1b$B\x30\x21\x1b(B", b"../../../etc/passwd",
    b"2.25.../..", b"A" * 5000, b"\xd9\xa3\xd9\xa3", b"+", b".", b"1.2.840.10008.1.2.4.50", b"Y\\N", b"%s%n{0}",
)  # fmt: skip
NASTY_NUMBERS = (0, 1, 2, 3, 255, 256, 4096, 4097, 32767, 32768, 65535, 2**31 - 1, 2**31, 2**32 - 1)
NASTY_FLOATS = (0.0, -0.0, -1.0, 1e-308, 1e308, float("nan"), float("inf"), float("-inf"), 1e-6, 100.0)
TARGETS = (
    "SpecificCharacterSet", "SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "Modality", "AcquisitionDateTime",
    "TimezoneOffsetFromUTC", "NumberOfFrames", "Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation",
    "PlanarConfiguration", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "LossyImageCompression",
    "FrameIncrementPointer", "FrameTime", "FrameTimeVector", "EffectiveDuration", "RWaveTimeVector", "PixelSpacing",
    "PixelAspectRatio", "DepthOfScanField", "IVUSAcquisition", "IVUSPullbackRate", "IVUSPullbackStartFrameNumber",
    "IVUSPullbackStopFrameNumber", "ImagerPixelSpacing", "DistanceSourceToDetector", "PositionerPrimaryAngle",
    "RadiationSetting", "ExtendedOffsetTable", "RedPaletteColorLookupTableDescriptor",
    "RedPaletteColorLookupTableData", "MaskSubtractionSequence", "BurnedInAnnotation", "InstanceNumber",
)  # fmt: skip
REGION_TARGETS = (
    "RegionSpatialFormat", "RegionDataType", "RegionLocationMinX0", "RegionLocationMinY0", "RegionLocationMaxX1",
    "RegionLocationMaxY1", "ReferencePixelX0", "PhysicalUnitsXDirection", "PhysicalUnitsYDirection", "PhysicalDeltaX",
    "PhysicalDeltaY", "TransducerFrequency",
)  # fmt: skip
_CODES = {"US": "<H", "SS": "<h", "UL": "<I", "SL": "<i", "FL": "<f", "FD": "<d", "OV": "<Q"}


def flip_bytes(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 5, 20, 100))):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def flip_header_bytes(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    end = max(133, data.rfind(b"\xe0\x7f\x10\x00"))
    for _ in range(rng.choice((1, 2, 4))):
        out[rng.randrange(128, end)] = rng.choice((0, 0xFF, rng.randrange(256)))
    return bytes(out)


def truncate(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def delete_block(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + data[start + rng.choice((1, 2, 8, 100, 1000)) :]


def repeat_block(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    block = data[start : start + rng.choice((2, 8, 64, 1000))]
    return data[:start] + block * rng.choice((2, 10)) + data[start:]


def fill_block(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    block = bytes([rng.choice((0, 0xFF, 0xFE))]) * rng.choice((4, 16, 256))
    return data[:start] + block + data[start + len(block) :]


def bend_length(data: bytes, rng: random.Random) -> bytes:
    """Change the length of some element or item."""
    marks = [i for vr in (b"DS", b"IS", b"US", b"UI", b"SQ", b"OB", b"CS", b"FD") if (i := data.find(vr, 132)) > 0]
    marks += [i - 4 for i in _all(data, b"\xfe\xff\x00\xe0")[:20]]
    start = rng.choice(marks) + 2 if marks else 140
    value = rng.choice((0, 1, 2, 0xFF, 0xFFFF, 0xFFFFFFFF, 0x7FFFFFFF, rng.randrange(1 << 16)))
    size = rng.choice((2, 4))
    return data[:start] + (value & (256**size - 1)).to_bytes(size, "little") + data[start + size :]


def append_garbage(data: bytes, rng: random.Random) -> bytes:
    return data + rng.randbytes(rng.choice((1, 8, 4096)))


def bend_attribute(data: bytes, rng: random.Random) -> bytes:
    """Give one attribute, of the run or of its region, a value that no writer should write."""
    dataset = dcmread(BytesIO(data))
    for _ in range(rng.choice((1, 1, 2, 3))):
        regions = dataset.get("SequenceOfUltrasoundRegions")
        if regions and rng.random() < 0.4:
            _put(rng.choice(list(regions)), rng.choice(REGION_TARGETS), rng)
        else:
            _put(dataset, rng.choice(TARGETS), rng)
    return _written(dataset)


def bend_sequence(data: bytes, rng: random.Random) -> bytes:
    """Drop, repeat, empty or nest sequences."""
    kind = rng.choice(("drop", "empty", "repeat", "nest", "many"))
    if kind == "nest":
        return _nested(data, rng.choice((3, 50, 400, 5000)))
    dataset = dcmread(BytesIO(data))
    regions = list(dataset.get("SequenceOfUltrasoundRegions") or [])
    if kind == "drop":
        dataset.pop(Tag(0x0018, 0x6011), None)
    elif kind == "empty":
        dataset.SequenceOfUltrasoundRegions = [Dataset() for _ in range(rng.choice((0, 1, 3)))]
    else:
        dataset.SequenceOfUltrasoundRegions = regions * (2 if kind == "repeat" else 300)
    return _written(dataset)


def _nested(data: bytes, depth: int) -> bytes:
    """Insert a sequence within a sequence within a sequence, before the pixels."""
    start = data.rfind(b"\xe0\x7f\x10\x00")
    opened = b"\x28\x00\x00\x61SQ\0\0\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff"
    closed = b"\xfe\xff\x0d\xe0\0\0\0\0" + b"\xfe\xff\xdd\xe0\0\0\0\0"
    return data[:start] + opened * depth + closed * depth + data[start:]


def bend_structure(data: bytes, rng: random.Random) -> bytes:
    """Damage only item headers and the offset table of encapsulated pixels; codestreams stay whole."""
    items = _all(data, b"\xfe\xff\x00\xe0")
    start = data.rfind(b"\xe0\x7f\x10\x00")
    items = [i for i in items if i > start]
    if start < 0 or not items:
        return data
    out = bytearray(data)
    place = rng.choice(items)
    first, table_end = items[0] + 8, items[0] + 8 + int.from_bytes(data[items[0] + 4 : items[0] + 8], "little")
    if rng.random() < 0.4 and table_end > first:
        place = rng.randrange(first, table_end)
        out[place] = rng.randrange(256)
    elif rng.random() < 0.5:
        out[place + rng.randrange(8)] = rng.randrange(256)
    else:
        length = int.from_bytes(out[place + 4 : place + 8], "little")
        out[place + 4 : place + 8] = max(0, length + rng.choice((-100, -8, -2, -1, 1, 2, 8, 100))).to_bytes(4, "little")
    return bytes(out)


MUTATIONS: dict[str, Mutation] = {
    mutation.__name__: mutation
    for mutation in (
        flip_bytes, flip_header_bytes, truncate, delete_block, repeat_block, fill_block, bend_length, append_garbage,
        bend_attribute, bend_sequence, bend_structure,
    )
}  # fmt: skip


def _all(data: bytes, pattern: bytes) -> list[int]:
    found, at = [], data.find(pattern)
    while at >= 0:
        found.append(at)
        at = data.find(pattern, at + 1)
    return found


def _put(dataset: Dataset, keyword: str, rng: random.Random) -> None:
    tag = Tag(tag_for_keyword(keyword) or 0)
    vr = dictionary_VR(tag).split(" ")[0]
    if rng.random() < 0.08:
        dataset.pop(tag, None)
        return
    if vr in _CODES and rng.random() < 0.9:
        number = rng.choice(NASTY_FLOATS) if vr in ("FL", "FD") else _wrap(rng.choice(NASTY_NUMBERS), vr)
        try:
            value = struct.pack(_CODES[vr], number)
        except OverflowError:
            value = struct.pack(_CODES[vr], 0.0)
    else:
        value = rng.choice(NASTY_TEXTS)
    vr = "SQ" if vr == "SQ" else vr
    dataset[tag] = RawDataElement(tag, vr, len(value), value, 0, False, True)


def _wrap(number: int, vr: str) -> int:
    bits = {"US": 16, "SS": 16, "UL": 32, "SL": 32, "OV": 64}[vr]
    number %= 1 << bits
    return number - (1 << bits) if vr in ("SS", "SL") and number >= 1 << (bits - 1) else number


def _written(dataset: Dataset) -> bytes:
    """The data set as explicit little endian, every value as it is, whatever it is."""
    meta = _body(dataset.file_meta)
    return bytes(128) + b"DICM" + meta + _body(dataset)


def _body(dataset: Dataset) -> bytes:
    parts = []
    for tag in sorted(dataset.keys()):
        element = dataset.get_item(tag)
        vr = str(element.VR)
        start = struct.pack("<HH", tag.group, tag.element) + vr.encode()
        if not isinstance(element, RawDataElement):
            if vr != "SQ":
                element = RawDataElement(tag, vr, 0, str(element.value).encode(), 0, False, True)
            else:
                items = [_body(item) for item in element.value]
                content = b"".join(b"\xfe\xff\x00\xe0" + struct.pack("<I", len(item)) + item for item in items)
                parts.append(start + b"\0\0" + struct.pack("<I", len(content)) + content)
                continue
        value = element.value or b""
        if element.length == 0xFFFFFFFF:
            parts.append(start + b"\0\0\xff\xff\xff\xff" + value + b"\xfe\xff\xdd\xe0\0\0\0\0")
        elif vr in ("OB", "OW", "SQ", "UN", "OV", "UT"):
            parts.append(start + b"\0\0" + struct.pack("<I", len(value)) + value)
        else:
            parts.append(start + struct.pack("<H", len(value) % (1 << 16)) + value)
    return b"".join(parts)
