"""Files that the standard allows and few writers make: the right picture, or one line that says what to do.

Sections of PS3.3 and PS3.5 are named beside each case.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from dicom_builders import (
    BIG_ENDIAN,
    COLUMNS,
    DEFLATED,
    EXPLICIT,
    IMPLICIT,
    JPEG_2000_LOSSLESS,
    JPEG_LS,
    RLE,
    ROWS,
    US_IMAGE,
    header,
    region,
    speckle,
    write,
    write_single_frames,
)
from pydicom import dcmread
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_sequence
from pydicom.sequence import Sequence
from pydicom.uid import UID

from boreline.errors import InputRefused
from boreline.reading import discover, read_run
from boreline_cli.main import main


def greys(path: Path, **options: Any) -> np.ndarray:
    run = read_run(path, **options)
    frames = list(run.frames())
    assert all(frame.grey is not None for frame in frames), [frame.fault for frame in frames]
    return np.array([frame.grey for frame in frames])


def refused(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What the command says: one line, exit 2, nothing on stdout."""
    with pytest.raises(SystemExit) as ended:
        main(["inspect", str(path)])
    said = capsys.readouterr()
    assert (ended.value.code, said.out, said.err.count("\n")) == (2, "", 1)
    assert str(path) in said.err
    return said.err


def edited(path: Path, change: Any) -> Path:
    dataset = dcmread(path)
    change(dataset)
    dataset.save_as(path, enforce_file_format=True)
    return path


@pytest.mark.parametrize("syntax", [IMPLICIT, EXPLICIT, DEFLATED, BIG_ENDIAN])
def test_stored_bits_may_be_the_upper_ones(tmp_path: Path, syntax: str) -> None:
    """High Bit (PS3.3 C.7.6.3.1.1 before 2014: any placing): twelve bits in the upper part of sixteen."""
    pixels = speckle(3, dtype=np.uint16) & 0xFFF0
    noisy = pixels | np.random.default_rng(1).integers(0, 16, pixels.shape, dtype=np.uint16)  # overlays lay there
    path = write(tmp_path / "run.dcm", noisy, syntax, BitsStored=12, HighBit=15)
    np.testing.assert_array_equal(greys(path), pixels >> 8)


@pytest.mark.parametrize(("syntax", "high"), [(EXPLICIT, 10), (EXPLICIT, 16), (RLE, 15)])
def test_a_high_bit_that_cannot_be(tmp_path: Path, syntax: str, high: int, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(2, dtype=np.uint16), syntax, BitsStored=12, HighBit=high)
    assert "(0028,0102) HighBit" in refused(path, capsys)


@pytest.mark.parametrize(
    ("photometric", "slope", "inverted"),
    [
        ("MONOCHROME2", "1", False),
        ("MONOCHROME2", "2.5", False),
        ("MONOCHROME2", "-1", True),
        ("MONOCHROME1", "1", True),
        ("MONOCHROME1", "-1", False),
    ],
)
def test_a_falling_modality_lut_turns_the_picture_round(
    tmp_path: Path, photometric: str, slope: str, inverted: bool
) -> None:
    """PS3.3 C.11.1: stored values pass the Modality LUT before MONOCHROME1 or 2 says which end is bright."""
    pixels = speckle(2)
    path = write(tmp_path / "run.dcm", pixels, EXPLICIT, photometric, RescaleSlope=slope, RescaleIntercept="0")
    np.testing.assert_array_equal(greys(path), 255 - pixels if inverted else pixels)


def test_a_modality_lut_of_slope_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(2), RescaleSlope="0", RescaleIntercept="0")
    assert "RescaleSlope" in refused(path, capsys)


def test_a_jp2_file_in_place_of_the_codestream(tmp_path: Path) -> None:
    """PS3.5 A.4.4 wants the codestream; ITU-T T.800 annex I files are met."""
    pixels = speckle(3)
    jp2 = [bytes(imagecodecs.jpeg2k_encode(frame, codecformat="jp2", reversible=True, level=0)) for frame in pixels]
    assert jp2[0][4:8] == b"jP  "
    path = write(tmp_path / "run.dcm", pixels, JPEG_2000_LOSSLESS, bend_frames=lambda _: jp2)
    np.testing.assert_array_equal(greys(path), pixels)


@pytest.mark.parametrize("syntax", [IMPLICIT, EXPLICIT, BIG_ENDIAN, JPEG_LS])
def test_pictures_nested_in_the_header_are_not_the_run(tmp_path: Path, syntax: str) -> None:
    """Icon Image Sequence (PS3.3 C.7.6.1.1.6) and a private sequence, both with Pixel Data of their own."""
    pixels = speckle(3)

    def nest(dataset: Dataset) -> None:
        icon = Dataset()
        icon.SamplesPerPixel, icon.PhotometricInterpretation = 1, "MONOCHROME2"
        icon.Rows = icon.Columns = 8
        icon.BitsAllocated = icon.BitsStored = 8
        icon.HighBit, icon.PixelRepresentation = 7, 0
        icon.PixelData = bytes(64)
        icon["PixelData"].VR = "OB"
        dataset.IconImageSequence = [icon]
        dataset.private_block(0x0029, "NOBODY", create=True).add_new(0x10, "SQ", Sequence([icon]))
        for name in ("IconImageSequence", "SequenceOfUltrasoundRegions"):
            dataset[name].is_undefined_length = True
            dataset[name].value[0].is_undefined_length_sequence_item = True

    path = edited(write(tmp_path / "run.dcm", pixels, syntax), nest)
    np.testing.assert_array_equal(greys(path), pixels)


def test_regions_of_unknown_type_are_read_as_the_sequence_they_are(tmp_path: Path) -> None:
    """PS3.5 6.2.2: a sequence may travel as UN, its content in implicit little endian."""
    pixels = speckle(2)
    content = DicomBytesIO()
    content.is_little_endian, content.is_implicit_VR = True, True
    sequence = DataElement(0x00186011, "SQ", Sequence([region(PhysicalDeltaX=0.02, PhysicalDeltaY=0.03)]))
    write_sequence(content, sequence, ["iso8859"])
    path = tmp_path / "run.dcm"
    write(path, pixels, SequenceOfUltrasoundRegions=None)
    raw = path.read_bytes()
    value = content.getvalue()
    element = b"\x18\x00\x11\x60UN\0\0" + len(value).to_bytes(4, "little") + value
    at = raw.index(b"\x28\x00\x02\x00US")  # Samples per Pixel comes next
    path.write_bytes(raw[:at] + element + raw[at:])
    assert read_run(path).calibration.mm_per_px.tolist() == pytest.approx([0.2, 0.3])
    np.testing.assert_array_equal(greys(path), pixels)


def test_group_lengths_and_trailing_padding(tmp_path: Path) -> None:
    """PS3.5 7.2 (retired group lengths, that of the pixel group as well) and PS3.10 7.2 (FFFC,FFFC)."""
    pixels = speckle(2)
    path = write(tmp_path / "run.dcm", pixels)
    raw = path.read_bytes()
    at = raw.index(b"\xe0\x7f\x10\x00OB")
    group_length = b"\xe0\x7f\x00\x00UL\x04\x00" + (len(raw) - at).to_bytes(4, "little")
    padding = b"\xfc\xff\xfc\xffOB\0\0\x08\0\0\0" + bytes(8)
    path.write_bytes(raw[:at] + group_length + raw[at:] + padding)
    np.testing.assert_array_equal(greys(path), pixels)


def test_values_of_odd_length(tmp_path: Path) -> None:
    """Against PS3.5 7.1.1, and met: the padding byte is missing."""
    pixels = speckle(2)
    path = write(tmp_path / "run.dcm", pixels, FrameTime="33.33")
    raw = path.read_bytes()
    even = b"DS\x06\x0033.33 "
    assert raw.count(even) == 1
    path.write_bytes(raw.replace(even, b"DS\x05\x0033.33"))
    run = read_run(path)
    assert run.timing.times_s is not None
    assert run.timing.times_s[1] == pytest.approx(0.03333)
    np.testing.assert_array_equal(greys(path), pixels)


@pytest.mark.parametrize("syntax", [EXPLICIT, IMPLICIT])
def test_eight_bits_written_as_words(tmp_path: Path, syntax: str) -> None:
    """PS3.5 8.1.1 and A.2: OW is allowed for eight bits, and required in implicit."""
    pixels = speckle(3, rows=ROWS - 1, columns=COLUMNS - 1)

    def as_words(dataset: Dataset) -> None:
        dataset["PixelData"].VR = "OW"

    whole = region(RegionLocationMaxX1=COLUMNS - 2, RegionLocationMaxY1=ROWS - 2)
    path = edited(write(tmp_path / "run.dcm", pixels, syntax, SequenceOfUltrasoundRegions=[whole]), as_words)
    np.testing.assert_array_equal(greys(path), pixels)


def test_the_cross_section_may_come_second(tmp_path: Path) -> None:
    """A strip in seconds, a grey bar, then the tissue, whose scale and rectangle count."""
    strip = region(RegionSpatialFormat=2, PhysicalUnitsXDirection=4, RegionLocationMinY0=ROWS - 8)
    bar = region(RegionDataType=0xD, RegionSpatialFormat=0)
    tissue = region(RegionLocationMaxY1=ROWS - 9, PhysicalDeltaX=0.02, PhysicalDeltaY=0.02)
    run = read_run(write(tmp_path / "run.dcm", speckle(2), SequenceOfUltrasoundRegions=[strip, bar, tissue]))
    assert (run.region.y1, run.calibration.mm_per_px_x) == (ROWS - 9, 0.2)


def test_a_palette_that_starts_late_and_ends_early(tmp_path: Path) -> None:
    """PS3.3 C.7.6.3.1.5: values below the first mapped one take the first entry, those above the last take the last."""
    pixels = speckle(2)
    table = np.arange(100, dtype=np.uint16) * 257 + 40
    changes: dict[str, Any] = {}
    for colour in ("Red", "Green", "Blue"):
        changes[f"{colour}PaletteColorLookupTableDescriptor"] = [100, 30, 16]
        changes[f"{colour}PaletteColorLookupTableData"] = table.tobytes()
    path = write(tmp_path / "run.dcm", pixels, EXPLICIT, "PALETTE COLOR", **changes)
    expected = (table >> 8)[np.clip(pixels.astype(int) - 30, 0, 99)]
    np.testing.assert_array_equal(greys(path), expected)


def test_frame_time_without_a_pointer_to_it(tmp_path: Path) -> None:
    times_s = read_run(write(tmp_path / "run.dcm", speckle(3), FrameIncrementPointer=None)).timing.times_s
    np.testing.assert_allclose(times_s, [0, 0.033333, 0.066666])


@pytest.mark.parametrize("content", ["GB18030", "ISO 2022 IR 87", "ISO_IR 192", "nonsense", None])
def test_names_in_any_script_and_patients_without_an_identifier(tmp_path: Path, content: str | None) -> None:
    pixels = speckle(2)
    path = write(
        tmp_path / "run.dcm", pixels, PatientID=None, PatientName="Nobody^Test", SpecificCharacterSet="ISO_IR 100"
    )
    raw = path.read_bytes()
    name = "Müller^文".encode()
    path.write_bytes(raw.replace(b"PN\x0c\0Nobody^Test ", b"PN\x0c\0" + name.ljust(12)[:12]))
    if content is not None:
        path.write_bytes(
            path.read_bytes().replace(b"CS\x0a\0ISO_IR 100", b"CS\x0a\0" + content.encode().ljust(10)[:10])
        )
    np.testing.assert_array_equal(greys(path), pixels)


def test_single_frames_ordered_by_acquisition_number(tmp_path: Path) -> None:
    pixels = speckle(5)
    folder = write_single_frames(tmp_path / "frames", pixels, AcquisitionDateTime=None, InstanceNumber=1)
    for path in folder.iterdir():
        number = int(str(dcmread(path, stop_before_pixels=True).SOPInstanceUID)[-4:])
        edited(path, lambda dataset, number=number: setattr(dataset, "AcquisitionNumber", 10 - number))
    np.testing.assert_array_equal(greys(folder), pixels[::-1])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.6.2"}, "Enhanced US Volume"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.14.1"}, "Intravascular Optical Coherence"),
        ({"SOPClassUID": US_IMAGE, "NumberOfFrames": None}, "holds 8 frames where 1 are declared"),
        ({"PixelRepresentation": 1}, "signed pixels"),
        ({"BitsAllocated": 32, "BitsStored": 32, "HighBit": 31}, "BitsAllocated"),
        (
            {"SequenceOfUltrasoundRegions": [region(), region(PhysicalDeltaX=0.02, PhysicalDeltaY=0.02)]},
            "different scales",
        ),
    ],
)
def test_refused_in_one_line(
    tmp_path: Path, changes: dict[str, Any], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert words in refused(write(tmp_path / "run.dcm", speckle(), **changes), capsys)


@pytest.mark.parametrize(
    "uid", ["1.2.3.4.5", "1.2.840.10008.1.2.4.201", "1.2.840.10008.1.2.4.110", "1.2.840.10008.1.2.7.1"]
)
def test_transfer_syntaxes_of_others_are_named(tmp_path: Path, uid: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "run.dcm", speckle(2), JPEG_LS)
    path.write_bytes(path.read_bytes().replace(*_same_length(JPEG_LS, uid)))
    said = refused(path, capsys)
    assert uid in said
    assert "export it" in said


def _same_length(old: str, new: str) -> tuple[bytes, bytes]:
    """The element (0002,0010), written again; the group length before it is only a hint."""

    def element(uid: str) -> bytes:
        value = uid.encode() + b"\0" * (len(uid) % 2)
        return b"\x02\0\x10\0UI" + len(value).to_bytes(2, "little") + value

    return element(old), element(new)


def test_an_odd_number_of_columns_shares_no_chroma(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """PS3.3 C.7.6.3.1.2: two pixels share a chroma sample, so their number is even."""
    pixels = np.zeros((2, ROWS, COLUMNS - 1, 3), np.uint8)
    path = write(tmp_path / "run.dcm", pixels, EXPLICIT, "YBR_FULL_422", payload=bytes(2 * ROWS * (COLUMNS - 1) * 2))
    assert "odd number of columns" in refused(path, capsys)


def test_links_pipes_and_loops_in_a_folder_stop_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "export"
    write(folder_of(folder / "A") / "run.dcm", speckle(2))
    os.mkfifo(folder / "pipe")
    (folder / "itself").symlink_to(folder / "itself")
    (folder / "up").symlink_to(folder)
    (folder / "gone").symlink_to(folder / "nowhere")
    found = discover(folder)
    assert [run.path for run in found.pullbacks] == [folder / "A" / "run.dcm"]
    reasons = {item.path.name: item.reason for item in found.skipped}
    assert reasons["pipe"] == "is not a regular file"
    assert "link to a folder" in reasons["up"]
    assert {"itself", "gone"} <= reasons.keys()
    for name in ("pipe", "itself", "gone"):
        assert refused(folder / name, capsys)
    with pytest.raises(SystemExit):
        main(["inspect", str(folder), "--json"])
    assert len(json.loads(capsys.readouterr().out)["pullbacks"]) == 1


def folder_of(path: Path) -> Path:
    path.mkdir(parents=True)
    return path


def test_a_file_that_lacks_preamble_or_header_is_read_in_any_little_endian_syntax(tmp_path: Path) -> None:
    pixels = speckle(2)
    for syntax in (IMPLICIT, EXPLICIT):
        dataset = header(pixels, syntax)
        del dataset.file_meta
        dataset.PixelData = pixels.tobytes()
        dataset["PixelData"].VR = "OW" if syntax == IMPLICIT else "OB"
        path = tmp_path / f"{UID(syntax).name[:8]}.dcm"
        dataset.save_as(path, implicit_vr=syntax == IMPLICIT, little_endian=True)
        assert path.read_bytes()[128:132] != b"DICM"
        np.testing.assert_array_equal(greys(path), pixels)


def test_a_run_that_no_one_can_read_any_more(tmp_path: Path) -> None:
    """The file shrinks between opening and decoding: an error of one line, no wrong frame."""
    path = write(tmp_path / "run.dcm", speckle(4), JPEG_LS)
    run = read_run(path)
    path.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(Exception, match="changed") as raised:
        list(run.frames())
    assert not isinstance(raised.value, InputRefused)
