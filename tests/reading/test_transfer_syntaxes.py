"""Every transfer syntax and photometric interpretation gives the same grey."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from dicom_builders import (
    BIG_ENDIAN,
    COLUMNS,
    DEFLATED,
    EXPLICIT,
    IMPLICIT,
    JPEG,
    JPEG_2000,
    JPEG_2000_LOSSLESS,
    JPEG_EXTENDED,
    JPEG_LOSSLESS,
    JPEG_LOSSLESS_14,
    JPEG_LS,
    JPEG_LS_NEAR,
    RLE,
    ROWS,
    region,
    speckle,
    write,
)
from pydicom import dcmread

from boreline.errors import InputRefused, StageFailed
from boreline.model import Run
from boreline.reading import read_run, read_xray
from boreline.reading.frames import AHEAD
from boreline.reading.grey import NEUTRAL_RANGE

LOSSLESS = (IMPLICIT, EXPLICIT, DEFLATED, BIG_ENDIAN, RLE, JPEG_LOSSLESS_14, JPEG_LOSSLESS, JPEG_LS, JPEG_2000_LOSSLESS)
LOSSY = (JPEG, JPEG_EXTENDED, JPEG_LS_NEAR, JPEG_2000)


def greys(run: Run) -> np.ndarray:
    frames = list(run.frames())
    assert [frame.number for frame in frames] == list(range(run.n_frames))
    assert all(frame.grey is not None for frame in frames), [frame.fault for frame in frames]
    return np.array([frame.grey for frame in frames])


@pytest.mark.parametrize("syntax", LOSSLESS)
def test_lossless_grey_is_exact(tmp_path: Path, syntax: str) -> None:
    pixels = speckle()
    run = read_run(write(tmp_path / "run.dcm", pixels, syntax))
    np.testing.assert_array_equal(greys(run), pixels)
    assert run.source.transfer_syntax_uid == syntax
    assert not run.source.lossy
    assert run.source.decoder.split()[0] in ("numpy", "imagecodecs", "simplejpeg")


@pytest.mark.parametrize("syntax", LOSSY)
def test_lossy_grey_is_close_and_equals_the_library(tmp_path: Path, syntax: str) -> None:
    pixels = speckle()
    path = write(tmp_path / "run.dcm", pixels, syntax)
    run = read_run(path)
    found = greys(run)
    assert np.abs(found.astype(int) - pixels).mean() < 3
    assert run.source.lossy
    # JPEG: Pillow; JPEG-LS: pyjpegls; JPEG 2000: OpenJPEG through pylibjpeg, all by way of pydicom.
    np.testing.assert_array_equal(found, dcmread(path).pixel_array)


@pytest.mark.parametrize("syntax", [EXPLICIT, BIG_ENDIAN, RLE, JPEG_LOSSLESS, JPEG_LS, JPEG_2000_LOSSLESS])
def test_sixteen_bits_are_scaled_by_bits_stored(tmp_path: Path, syntax: str) -> None:
    pixels = speckle(3, dtype=np.uint16) >> 4
    run = read_run(write(tmp_path / "run.dcm", pixels, syntax, BitsStored=12, HighBit=11))
    np.testing.assert_array_equal(greys(run), pixels >> 4)


def test_twelve_bit_jpeg(tmp_path: Path) -> None:
    pixels = speckle(2, dtype=np.uint16) >> 4
    run = read_run(write(tmp_path / "run.dcm", pixels, JPEG_EXTENDED, BitsStored=12, HighBit=11))
    assert np.abs(greys(run).astype(int) - (pixels >> 4)).max() <= 12


def test_monochrome1_is_inverted(tmp_path: Path) -> None:
    pixels = speckle(2)
    run = read_run(write(tmp_path / "run.dcm", pixels, EXPLICIT, "MONOCHROME1"))
    np.testing.assert_array_equal(greys(run), 255 - pixels)


@pytest.mark.parametrize("syntax", [EXPLICIT, BIG_ENDIAN, RLE, JPEG_LOSSLESS, JPEG_LS])
def test_rgb_of_grey_is_the_same_grey(tmp_path: Path, syntax: str) -> None:
    pixels = speckle(3)
    colour = np.repeat(pixels[..., None], 3, axis=-1)
    run = read_run(write(tmp_path / "run.dcm", colour, syntax, "RGB"))
    np.testing.assert_array_equal(greys(run), pixels)
    assert not any("colour" in note for note in run.warnings)


def test_colour_by_plane(tmp_path: Path) -> None:
    pixels = speckle(3)
    planes = np.repeat(pixels[:, None], 3, axis=1)
    colour = np.repeat(pixels[..., None], 3, axis=-1)
    path = write(tmp_path / "run.dcm", colour, EXPLICIT, "RGB", payload=planes.tobytes(), PlanarConfiguration=1)
    np.testing.assert_array_equal(greys(read_run(path)), pixels)


@pytest.mark.parametrize(("syntax", "photometric"), [(EXPLICIT, "YBR_FULL"), (RLE, "YBR_FULL")])
def test_luma_of_ybr_full(tmp_path: Path, syntax: str, photometric: str) -> None:
    pixels = speckle(3)
    neutral = np.full_like(pixels, 128)
    path = write(tmp_path / "run.dcm", np.stack([pixels, neutral, neutral], axis=-1), syntax, photometric)
    np.testing.assert_array_equal(greys(read_run(path)), pixels)


def test_native_ybr_full_422_shares_chroma_between_two_pixels(tmp_path: Path) -> None:
    pixels = speckle(3)
    quads = np.full((*pixels.shape[:2], COLUMNS // 2, 4), 128, dtype=np.uint8)
    quads[..., 0], quads[..., 1] = pixels[..., 0::2], pixels[..., 1::2]
    colour = np.repeat(pixels[..., None], 3, axis=-1)
    path = write(tmp_path / "run.dcm", colour, EXPLICIT, "YBR_FULL_422", payload=quads.tobytes())
    np.testing.assert_array_equal(greys(read_run(path)), pixels)


@pytest.mark.parametrize(
    ("syntax", "photometric", "tolerance"),
    [(JPEG_2000_LOSSLESS, "YBR_RCT", 0), (JPEG_2000, "YBR_ICT", 20), (JPEG, "YBR_FULL_422", 20)],
)
def test_transformed_colour(tmp_path: Path, syntax: str, photometric: str, tolerance: int) -> None:
    pixels = speckle(3)
    colour = np.repeat(pixels[..., None], 3, axis=-1)
    run = read_run(write(tmp_path / "run.dcm", colour, syntax, photometric))
    assert np.abs(greys(run).astype(int) - pixels).max() <= tolerance
    assert not any("colour" in note for note in run.warnings)


def palette(entries: np.ndarray, bits: int) -> dict[str, object]:
    """The palette attributes of three tables, shape (3, n)."""
    values: dict[str, object] = {}
    for name, table in zip(("Red", "Green", "Blue"), entries, strict=True):
        values[f"{name}PaletteColorLookupTableDescriptor"] = [len(table), 0, bits]
        values[f"{name}PaletteColorLookupTableData"] = table.astype("<u2" if bits == 16 else np.uint8).tobytes()
    return values


@pytest.mark.parametrize("bits", [8, 16])
def test_palette_colour(tmp_path: Path, bits: int) -> None:
    pixels = speckle(3)
    ramp = np.arange(256) if bits == 8 else np.arange(256) << 8
    path = write(
        tmp_path / "run.dcm",
        pixels,
        EXPLICIT,
        "PALETTE COLOR",
        **palette(np.stack([255 * 257 - ramp if bits == 16 else 255 - ramp] * 3), bits),
    )
    np.testing.assert_array_equal(greys(read_run(path)), 255 - pixels)


def test_palette_indices_are_never_taken_for_grey(tmp_path: Path) -> None:
    # JPEG of palette indices is not legal, but what it says is clear.
    tables = np.stack([np.arange(255, -1, -1)] * 3)
    run = read_run(write(tmp_path / "run.dcm", speckle(3), JPEG, "PALETTE COLOR", **palette(tables, 8)))
    assert np.abs(greys(run).astype(int) - (255 - speckle(3))).mean() < 3


def test_palette_graphics_are_taken_out(tmp_path: Path) -> None:
    pixels = np.full((4, ROWS, COLUMNS), 100, dtype=np.uint8)
    pixels[:, 20:24, 30:40] = 255
    tables = np.stack([np.arange(256)] * 3)
    tables[:, 255] = (250, 0, 0)
    run = read_run(write(tmp_path / "run.dcm", pixels, RLE, "PALETTE COLOR", **palette(tables, 8)))
    assert np.all(greys(run) == 100)


@pytest.mark.parametrize(
    ("syntax", "photometric"), [(EXPLICIT, "RGB"), (JPEG, "YBR_FULL_422"), (JPEG_2000_LOSSLESS, "YBR_RCT")]
)
def test_coloured_graphics_leave_no_edge(tmp_path: Path, syntax: str, photometric: str) -> None:
    colour = np.full((6, ROWS, COLUMNS, 3), 90, dtype=np.uint8)
    colour[:, 10:14, 20:44] = (0, 220, 40)
    run = read_run(write(tmp_path / "run.dcm", colour, syntax, photometric))
    assert any("coloured graphics" in note for note in run.warnings)
    assert np.abs(greys(run).astype(int) - 90).max() <= 3


@pytest.mark.parametrize(("stored", "tagged"), [("YBR", "RGB"), ("RGB", "YBR_FULL")])
def test_a_wrong_photometric_tag_is_seen_and_named(tmp_path: Path, stored: str, tagged: str) -> None:
    pixels = speckle(3)
    other = np.full_like(pixels, 128) if stored == "YBR" else pixels
    run = read_run(write(tmp_path / "run.dcm", np.stack([pixels, other, other], axis=-1), EXPLICIT, tagged))
    np.testing.assert_array_equal(greys(run), pixels)
    assert any("PhotometricInterpretation" in note and "is wrong" in note for note in run.warnings)


def test_a_tinted_picture_keeps_its_tissue(tmp_path: Path) -> None:
    pixels = speckle(3)
    tinted = np.stack([pixels, pixels * 0.8, pixels * 0.5], axis=-1).astype(np.uint8)
    run = read_run(write(tmp_path / "run.dcm", tinted, EXPLICIT, "RGB"))
    assert any("tinted" in note for note in run.warnings)
    assert np.corrcoef(greys(run).ravel(), pixels.ravel())[0, 1] > 0.999
    assert NEUTRAL_RANGE == 2


def test_only_the_cross_section_is_left(tmp_path: Path) -> None:
    # 0.1 mm per pixel: 41 x 40 pixels are 4.1 x 4.0 mm.
    inside = region(RegionLocationMinX0=8, RegionLocationMinY0=4, RegionLocationMaxX1=48, RegionLocationMaxY1=43)
    pixels = speckle(2)
    found = greys(read_run(write(tmp_path / "run.dcm", pixels, SequenceOfUltrasoundRegions=[inside])))
    expected = np.zeros_like(pixels)
    expected[:, 4:44, 8:49] = pixels[:, 4:44, 8:49]
    np.testing.assert_array_equal(found, expected)


def test_frames_are_read_lazily_in_any_range_and_by_many_readers(tmp_path: Path) -> None:
    pixels = speckle(40)
    run = read_run(write(tmp_path / "run.dcm", pixels, RLE))
    first, second = run.frames(), run.frames(10, 13)
    assert next(first).number == 0
    assert [frame.number for frame in second] == [10, 11, 12]
    assert [frame.number for frame in first] == list(range(1, 40))
    assert list(run.frames(38, 99))[-1].number == 39
    assert list(run.frames(5, 5)) == []
    assert AHEAD < 40


def test_an_abandoned_reader_leaves_no_file_open(tmp_path: Path) -> None:
    run = read_run(write(tmp_path / "run.dcm", speckle(30), RLE))
    before = sum(1 for _ in Path("/proc/self/fd").iterdir())
    for _ in range(5):
        frames = run.frames()
        next(frames)
        frames.close()  # type: ignore[attr-defined]
    assert sum(1 for _ in Path("/proc/self/fd").iterdir()) == before


def test_a_file_that_changes_while_read_stops_the_reader(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(4))
    run = read_run(path)
    with path.open("ab") as file:
        file.write(b"more")
    with pytest.raises(StageFailed, match="has changed"):
        next(iter(run.frames()))
    path.unlink()
    with pytest.raises(StageFailed, match="cannot be read any more"):
        next(iter(run.frames()))


def test_nothing_of_the_patient_enters_the_run(tmp_path: Path) -> None:
    run = read_run(write(tmp_path / "run.dcm", speckle(2)))
    assert "Nobody" not in repr(run)
    assert "SECRET" not in repr(run)


def test_xray_pixels_of_ten_bits_are_kept_whole_and_contrast_dark(tmp_path: Path) -> None:
    pixels = speckle(3, dtype=np.uint16) >> 6
    changes = {"SOPClassUID": "1.2.840.10008.5.1.4.1.1.12.1", "BitsStored": 10, "HighBit": 9}
    run = read_xray(write(tmp_path / "a.dcm", pixels, JPEG_LOSSLESS, **changes))
    other = read_xray(write(tmp_path / "b.dcm", pixels, EXPLICIT, "MONOCHROME1", **changes))
    for frame, inverse, expected in zip(run.frames(), other.frames(), pixels, strict=True):
        np.testing.assert_array_equal(frame.intensity, expected)
        np.testing.assert_array_equal(inverse.intensity, 1023 - expected)
    assert (run.inverted, other.inverted) == (False, True)


def test_video_is_refused_by_name(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(2), RLE)
    data = path.read_bytes()
    video = b"1.2.840.10008.1.2.4.102"
    old = RLE.encode()
    start = data.index(b"\x02\x00\x10\x00UI") + 6
    length = int.from_bytes(data[start : start + 2], "little")
    grown = data[:start] + (len(video) + 1).to_bytes(2, "little") + video + b"\0" + data[start + 2 + length :]
    total = data.index(b"\x02\x00\x00\x00UL") + 8
    size = int.from_bytes(grown[total : total + 4], "little") + len(video) + 1 - length
    path.write_bytes(grown[:total] + size.to_bytes(4, "little") + grown[total + 4 :])
    assert old not in path.read_bytes()
    with pytest.raises(InputRefused, match="video transfer syntax"):
        read_run(path)
