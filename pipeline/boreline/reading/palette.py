"""The palette of PALETTE COLOR (PS3.3 C.7.6.3.1.5 and .6) as eight-bit red, green and blue.

The library reads the words of a big-endian palette in the wrong order, so they are read here.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.errors import InputRefused
from boreline.reading.attributes import Attributes

_COLOURS = ("Red", "Green", "Blue")


def read_palette(attributes: Attributes, bits_stored: int) -> npt.NDArray[np.uint8]:
    """The colour of every stored value.

    Returns
    -------
    ndarray
        Shape (2 ** bits_stored, 3), uint8.

    Raises
    ------
    InputRefused
        A table is missing, segmented, or not as long as its descriptor says.
    """
    return np.stack([_table(attributes, colour, bits_stored) for colour in _COLOURS], axis=-1)


def _table(attributes: Attributes, colour: str, bits_stored: int) -> npt.NDArray[np.uint8]:
    descriptor_name = f"{colour}PaletteColorLookupTableDescriptor"
    data_name = f"{colour}PaletteColorLookupTableData"
    descriptor = attributes.numbers(descriptor_name)
    if len(descriptor) != 3:
        raise attributes.refusal("the palette is not described", descriptor_name, "export it again")
    count, first, bits = (int(value) for value in descriptor)
    count = count or 1 << 16  # PS3.3 C.7.6.3.1.5: 0 stands for 65536
    if not attributes.has(data_name):
        problem = "a segmented palette is not read" if attributes.has(f"Segmented{data_name}") else "no palette"
        raise attributes.refusal(problem, data_name, "export the run as grey or RGB")
    entries = _entries(attributes, data_name, count)
    if bits == 16 and entries.max() > 255:  # some writers put eight-bit entries into sixteen
        entries = np.right_shift(entries, 8, dtype=np.uint16)
    stored = np.arange(1 << bits_stored)
    return entries[np.clip(stored - first, 0, count - 1)].astype(np.uint8)


def _entries(attributes: Attributes, name: str, count: int) -> npt.NDArray[np.uint16]:
    raw, little_endian = attributes.raw_bytes(name)
    words = np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<u2" if little_endian else ">u2").astype(np.uint16)
    if len(words) == count:
        return words
    if len(words) == (count + 1) // 2:  # eight-bit entries, two to a word, the low byte first
        return np.frombuffer(words.astype("<u2").tobytes(), dtype=np.uint8)[:count].astype(np.uint16)
    raise _wrong_length(attributes, name, len(raw), count)


def _wrong_length(attributes: Attributes, name: str, length: int, count: int) -> InputRefused:
    return attributes.refusal(f"{length} bytes do not hold {count} palette entries", name, "export it again")
