"""How the pixels of a file are laid out (PS3.3 C.7.6.3), checked against limits before anything is decoded."""

from __future__ import annotations

from dataclasses import dataclass

from boreline.errors import InputRefused
from boreline.reading.attributes import tag_name
from boreline.reading.header import Header
from boreline.reading.syntaxes import NATIVE, SINGLE_FRAME_CLASSES

LARGEST_SIDE_PX = 4096
MOST_FRAMES = 100_000
LARGEST_FRAME_BYTES = 64 << 20

_SAMPLES = {
    "MONOCHROME1": 1,
    "MONOCHROME2": 1,
    "PALETTE COLOR": 1,
    "RGB": 3,
    "YBR_FULL": 3,
    "YBR_FULL_422": 3,
    "YBR_ICT": 3,
    "YBR_RCT": 3,
}


@dataclass(frozen=True, slots=True)
class PixelLayout:
    """What a frame's samples look like."""

    rows: int
    columns: int
    samples: int
    photometric: str
    planar: bool  # colour by plane instead of by pixel
    bits_allocated: int
    bits_stored: int
    lowest_bit: int = 0  # of a sample; above 0 where the stored bits are the upper ones of those allocated

    @property
    def bytes_per_sample(self) -> int:
        """1 or 2."""
        return self.bits_allocated // 8

    @property
    def frame_bytes(self) -> int:
        """Length of one native frame; YBR_FULL_422 shares the chroma of two pixels (PS3.3 C.7.6.3.1.2)."""
        samples = 2 if self.photometric == "YBR_FULL_422" else self.samples
        return self.rows * self.columns * samples * self.bytes_per_sample


def read_layout(header: Header) -> PixelLayout:
    """Read and check the Image Pixel module.

    Raises
    ------
    InputRefused
        A needed attribute is missing, contradicts another, or exceeds a limit.
    """
    attributes = header.attributes

    def need(keyword: str, low: int, high: int) -> int:
        value = attributes.integer(keyword)
        if value is None:
            raise attributes.refusal("is missing", keyword)
        if not low <= value <= high:
            raise attributes.refusal(f"{value} is outside {low} to {high}", keyword)
        return value

    rows = need("Rows", 1, LARGEST_SIDE_PX)
    columns = need("Columns", 1, LARGEST_SIDE_PX)
    photometric = attributes.text("PhotometricInterpretation") or ""
    if photometric not in _SAMPLES:
        shown = repr(photometric[:40]) if photometric else "nothing"
        raise attributes.refusal(
            f"{shown} is none of {', '.join(_SAMPLES)}", "PhotometricInterpretation", "export it again"
        )
    samples = need("SamplesPerPixel", 1, 4)
    if samples != _SAMPLES[photometric]:
        raise attributes.refusal(f"{samples} contradicts {photometric}", "SamplesPerPixel", "export it again")
    bits_allocated = need("BitsAllocated", 1, 64)
    if bits_allocated not in (8, 16):
        raise attributes.refusal(f"{bits_allocated} is not 8 or 16", "BitsAllocated", "export it with 8 or 16 bits")
    if samples == 3 and bits_allocated != 8:
        raise attributes.refusal(f"{bits_allocated} bits of colour are not read", "BitsAllocated", "export 8 bits")
    bits_stored = attributes.integer("BitsStored")
    bits_stored = bits_allocated if bits_stored is None else bits_stored
    if not 1 <= bits_stored <= bits_allocated:
        raise attributes.refusal(f"{bits_stored} does not fit in {bits_allocated} allocated bits", "BitsStored")
    high_bit = attributes.integer("HighBit")
    lowest_bit = 0 if high_bit is None else high_bit + 1 - bits_stored
    if not 0 <= lowest_bit <= bits_allocated - bits_stored or (lowest_bit and header.transfer_syntax_uid not in NATIVE):
        raise attributes.refusal(
            f"{high_bit} does not fit {bits_stored} stored of {bits_allocated} allocated bits",
            "HighBit",
            "export it again",
        )
    if attributes.integer("PixelRepresentation"):
        raise attributes.refusal("signed pixels are not read", "PixelRepresentation", "export unsigned pixels")
    layout = PixelLayout(
        rows=rows,
        columns=columns,
        samples=samples,
        photometric=photometric,
        planar=attributes.integer("PlanarConfiguration") == 1,
        bits_allocated=bits_allocated,
        bits_stored=bits_stored,
        lowest_bit=lowest_bit,
    )
    if layout.frame_bytes > LARGEST_FRAME_BYTES:
        raise attributes.refusal(f"a frame of {layout.frame_bytes >> 20} MB is more than any real run has", "Rows")
    if photometric == "YBR_FULL_422" and header.transfer_syntax_uid in NATIVE and columns % 2:
        raise attributes.refusal("an odd number of columns cannot be stored as YBR_FULL_422", "Columns")
    return layout


def stated_frames(header: Header) -> int:
    """Number of Frames (0028,0008), which only a single-frame class may leave out.

    Raises
    ------
    InputRefused
        It is missing, not a whole number, or outside 1 to 100,000.
    """
    count = header.attributes.integer("NumberOfFrames")
    if count is None:
        if header.sop_class_uid in SINGLE_FRAME_CLASSES:
            return 1
        raise header.attributes.refusal("is missing", "NumberOfFrames", "export the run again")
    if not 1 <= count <= MOST_FRAMES:
        raise header.attributes.refusal(
            f"{count} is outside 1 to {MOST_FRAMES}", "NumberOfFrames", "export the run again"
        )
    return count


def require_pixels(header: Header) -> None:
    """Refuse a file without Pixel Data (7FE0,0010).

    Raises
    ------
    InputRefused
        There is none.
    """
    if header.pixels is None:
        raise InputRefused(
            "holds no pixel data", file=header.path, tag=tag_name("PixelData"), remedy="export it with its pictures"
        )
