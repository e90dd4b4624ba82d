"""Damaged, contradictory and hostile files: each ends as a run, a flagged frame, or a refusal in one line."""

from __future__ import annotations

import os
import time
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_builders import (
    BIG_ENDIAN,
    COLUMNS,
    EXPLICIT,
    IMPLICIT,
    JPEG,
    JPEG_2000_LOSSLESS,
    JPEG_LOSSLESS,
    JPEG_LS,
    RLE,
    ROWS,
    encode,
    header,
    region,
    speckle,
    write,
)
from pydicom import dcmread
from pydicom.encaps import encapsulate, encapsulate_extended
from pydicom.uid import UID

from boreline.errors import InputRefused
from boreline.model import PullbackKind, Run
from boreline.reading import header as header_module
from boreline.reading import read_run

N = 8
ENCAPSULATED = (RLE, JPEG, JPEG_LOSSLESS, JPEG_LS, JPEG_2000_LOSSLESS)


def cut(path: Path, keep: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    return path


def greys(run: Run) -> np.ndarray:
    return np.array([frame.grey for frame in run.frames()])


def refusal(path: Path, **options: Any) -> str:
    with pytest.raises(InputRefused) as caught:
        read_run(path, **options)
    line = str(caught.value)
    assert "\n" not in line
    return line


# ------------------------------------------------------------------------------------------- truncation


@pytest.mark.parametrize("syntax", [EXPLICIT, *ENCAPSULATED])
@pytest.mark.parametrize("has_table", [True, False])
def test_truncated(tmp_path: Path, syntax: str, has_table: bool) -> None:
    whole = read_run(write(tmp_path / "whole.dcm", speckle(N), syntax))
    path = cut(write(tmp_path / "run.dcm", speckle(N), syntax, has_table=has_table), 0.6)
    line = refusal(path)
    assert "truncated" in line
    assert f"of {N} frames are whole" in line
    assert "--whole-frames-only" in line
    run = read_run(path, whole_frames_only=True)
    assert 0 < run.n_frames < N
    np.testing.assert_array_equal(greys(run), greys(whole)[: run.n_frames])
    assert run.timing.times_s is not None
    assert len(run.timing.times_s) == run.n_frames
    assert run.parameters["whole_frames_only"] is True
    assert any("--whole-frames-only" in note for note in run.warnings)


def test_truncated_within_a_frame_of_three_fragments(tmp_path: Path) -> None:
    path = cut(write(tmp_path / "run.dcm", speckle(N), JPEG_2000_LOSSLESS, fragments=3), 0.7)
    whole = greys(read_run(write(tmp_path / "whole.dcm", speckle(N), JPEG_2000_LOSSLESS)))
    run = read_run(path, whole_frames_only=True)
    np.testing.assert_array_equal(greys(run), whole[: run.n_frames])


def test_no_sequence_delimiter_is_a_warning(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(N), JPEG_LS)
    path.write_bytes(path.read_bytes()[:-8])
    run = read_run(path)
    np.testing.assert_array_equal(greys(run), speckle(N))
    assert any("delimiter" in note for note in run.warnings)


# ------------------------------------------------------------------------------------- number of frames


@pytest.mark.parametrize("syntax", [EXPLICIT, *ENCAPSULATED])
def test_number_of_frames_too_large(tmp_path: Path, syntax: str) -> None:
    line = refusal(write(tmp_path / "run.dcm", speckle(N), syntax, NumberOfFrames=12))
    assert "8 of 12" in line or "holds 8 frames where 12 are declared" in line


@pytest.mark.parametrize("syntax", [EXPLICIT, *ENCAPSULATED])
def test_number_of_frames_too_small(tmp_path: Path, syntax: str) -> None:
    path = write(tmp_path / "run.dcm", speckle(N), syntax, NumberOfFrames=5)
    assert "holds 8 frames where 5 are declared" in refusal(path)
    assert read_run(path, whole_frames_only=True).n_frames == 8


@pytest.mark.parametrize("value", [None, 0, -3])
def test_number_of_frames_missing_or_impossible(tmp_path: Path, value: int | None) -> None:
    assert "NumberOfFrames" in refusal(write(tmp_path / "run.dcm", speckle(N), NumberOfFrames=value))


def test_number_of_frames_that_is_no_number(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(N))
    data = path.read_bytes()
    path.write_bytes(data.replace(b"\x28\x00\x08\x00IS\x02\x008 ", b"\x28\x00\x08\x00IS\x02\x00x "))
    assert "'x' is not a whole number" in refusal(path)


# ----------------------------------------------------------------------------------------- offset tables


def with_table(path: Path, syntax: str, table: list[int]) -> Path:
    dataset = header(speckle(N), syntax)
    dataset.PixelData = encapsulate([encode(frame, syntax) for frame in speckle(N)], has_bot=True)
    start = 8
    raw = bytearray(dataset.PixelData)
    for i, offset in enumerate(table):
        raw[start + 4 * i : start + 4 * i + 4] = offset.to_bytes(4, "little")
    dataset.PixelData = bytes(raw)
    dataset["PixelData"].is_undefined_length = True
    dataset.save_as(path, enforce_file_format=True)
    return path


@pytest.mark.parametrize(
    "table", [[0, 6, 12, 18, 24, 30, 36, 42], [900, 800, 700, 600, 500, 400, 300, 0], [2**31] * 8, [0] * 8]
)
@pytest.mark.parametrize("syntax", [JPEG_LS, RLE])
def test_a_wrong_basic_offset_table_loses_nothing(tmp_path: Path, syntax: str, table: list[int]) -> None:
    run = read_run(with_table(tmp_path / "run.dcm", syntax, table))
    np.testing.assert_array_equal(greys(run), speckle(N))
    assert any("Basic Offset Table is wrong" in note for note in run.warnings)


@pytest.mark.parametrize("bend", [0, 64])
def test_extended_offset_table(tmp_path: Path, bend: int) -> None:
    dataset = header(speckle(N), JPEG_LS)
    frames = [encode(frame, JPEG_LS) for frame in speckle(N)]
    dataset.PixelData, offsets, lengths = encapsulate_extended(frames)
    table = np.frombuffer(offsets, dtype="<u8").copy()
    table[4:] += bend
    dataset.ExtendedOffsetTable, dataset.ExtendedOffsetTableLengths = table.tobytes(), lengths
    dataset["PixelData"].is_undefined_length = True
    dataset.save_as(tmp_path / "run.dcm", enforce_file_format=True)
    run = read_run(tmp_path / "run.dcm")
    np.testing.assert_array_equal(greys(run), speckle(N))
    assert any("Extended Offset Table is wrong" in note for note in run.warnings) == bool(bend)


@pytest.mark.parametrize("has_table", [True, False])
@pytest.mark.parametrize("syntax", [JPEG, JPEG_LS, JPEG_2000_LOSSLESS, RLE])
def test_three_fragments_per_frame(tmp_path: Path, syntax: str, has_table: bool) -> None:
    whole = read_run(write(tmp_path / "whole.dcm", speckle(N), syntax))
    run = read_run(write(tmp_path / "run.dcm", speckle(N), syntax, fragments=3, has_table=has_table))
    np.testing.assert_array_equal(greys(run), greys(whole))


def test_a_lost_frame_beside_a_split_one_is_not_taken_for_the_right_count(tmp_path: Path) -> None:
    def lose_one(frames: list[bytes]) -> list[bytes]:
        middle = len(frames[0]) // 2 // 2 * 2
        return [frames[0][:middle], frames[0][middle:], *frames[1:-1]]

    path = write(tmp_path / "run.dcm", speckle(N), JPEG_LS, bend_frames=lose_one)
    assert "holds 7 frames where 8 are declared" in refusal(path)


# ---------------------------------------------------------------------------------------- codestreams


@pytest.mark.parametrize("syntax", [JPEG, JPEG_LS, JPEG_2000_LOSSLESS])
@pytest.mark.parametrize("shape", [(2 * ROWS, COLUMNS // 2), (ROWS + 8, COLUMNS)])
def test_a_codestream_of_another_size_is_a_fault_of_its_frame(
    tmp_path: Path, syntax: str, shape: tuple[int, int]
) -> None:
    other = encode(speckle(1, *shape)[0], syntax)
    path = write(tmp_path / "run.dcm", speckle(N), syntax, bend_frames=lambda frames: [*frames[:3], other, *frames[4:]])
    frames = list(read_run(path).frames())
    assert frames[3].grey is None
    assert f"codestream is {shape[1]} x {shape[0]}" in (frames[3].fault or "")
    assert sum(frame.grey is None for frame in frames) == 1


def test_stray_bytes_before_the_end_of_a_whole_picture_do_no_harm(tmp_path: Path) -> None:
    whole = greys(read_run(write(tmp_path / "whole.dcm", speckle(N), JPEG)))
    path = write(
        tmp_path / "run.dcm",
        speckle(N),
        JPEG,
        bend_frames=lambda frames: [frame[:-2] + b"\0\0\x12\0" + frame[-2:] for frame in frames],
    )
    np.testing.assert_array_equal(greys(read_run(path)), whole)


@pytest.mark.parametrize("syntax", [JPEG, JPEG_LOSSLESS, JPEG_LS, JPEG_2000_LOSSLESS, RLE])
def test_a_codestream_cut_before_its_end_marker_is_a_fault(tmp_path: Path, syntax: str) -> None:
    path = write(
        tmp_path / "run.dcm",
        speckle(N),
        syntax,
        bend_frames=lambda frames: [frames[0][: len(frames[0]) // 2] + b"\xff\xd9", *frames[1:]],
    )
    frames = list(read_run(path).frames())
    assert frames[0].grey is None
    assert frames[0].fault
    assert all(frame.grey is not None for frame in frames[1:])


@pytest.mark.parametrize("syntax", [JPEG_LS, JPEG_2000_LOSSLESS, JPEG_LOSSLESS])
def test_a_codestream_of_more_bits_than_allocated_is_a_fault(tmp_path: Path, syntax: str) -> None:
    deep = encode(speckle(1, dtype=np.uint16)[0], syntax)
    path = write(tmp_path / "run.dcm", speckle(N), syntax, bend_frames=lambda frames: [deep, *frames[1:]])
    frames = list(read_run(path).frames())
    assert frames[0].grey is None
    assert all(frame.grey is not None and frame.grey.dtype == np.uint8 for frame in frames[1:])


def test_a_jpeg_ls_stream_without_its_end_is_a_fault_at_once(tmp_path: Path) -> None:
    # The decoder itself needs seconds for such a frame, whatever its size.
    path = write(
        tmp_path / "run.dcm",
        speckle(N),
        JPEG_LS,
        bend_frames=lambda frames: [frame.replace(b"\xff\xd9", b"\x10\xd9") for frame in frames],
    )
    start = time.monotonic()
    assert all("no end" in (frame.fault or "") for frame in read_run(path).frames())
    assert time.monotonic() - start < 2


@pytest.mark.parametrize(("syntax", "place"), [(JPEG_LS, 9), (JPEG_2000_LOSSLESS, 41)])
def test_a_codestream_that_claims_many_components_is_not_decoded(tmp_path: Path, syntax: str, place: int) -> None:
    def claim(frames: list[bytes]) -> list[bytes]:
        start = frames[1].index(b"\xff\xf7") if syntax == JPEG_LS else 0
        bent = bytearray(frames[1])
        bent[start + place] = 200
        return [frames[0], bytes(bent), *frames[2:]]

    frames = list(read_run(write(tmp_path / "run.dcm", speckle(N), syntax, bend_frames=claim)).frames())
    assert "200 components, the header says 1" in (frames[1].fault or "")
    assert sum(frame.grey is None for frame in frames) == 1


@pytest.mark.parametrize("syntax", ENCAPSULATED)
def test_a_damaged_frame_is_flagged_and_the_others_stay_in_place(tmp_path: Path, syntax: str) -> None:
    whole = greys(read_run(write(tmp_path / "whole.dcm", speckle(N), syntax)))
    path = write(
        tmp_path / "run.dcm",
        speckle(N),
        syntax,
        bend_frames=lambda frames: [*frames[:2], b"\0" * len(frames[2]), *frames[3:]],
    )
    frames = list(read_run(path).frames())
    assert [frame.number for frame in frames if frame.grey is None] == [2]
    assert frames[2].fault
    for frame in frames:
        if frame.grey is not None:
            np.testing.assert_array_equal(frame.grey, whole[frame.number])


@pytest.mark.parametrize("syntax", [EXPLICIT, JPEG, RLE])
def test_huge_dimensions_are_refused_before_decoding(tmp_path: Path, syntax: str) -> None:
    path = write(tmp_path / "run.dcm", speckle(N), syntax, Rows=65535, Columns=65535)
    assert "Rows: 65535 is outside 1 to 4096" in refusal(path)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"Rows": 0}, "Rows: 0 is outside"),
        ({"Columns": None}, "Columns: is missing"),
        ({"BitsStored": 12}, "BitsStored: 12 does not fit in 8"),
        ({"BitsAllocated": 1}, "BitsAllocated: 1 is not 8 or 16"),
        ({"PixelRepresentation": 1}, "signed pixels"),
        ({"PhotometricInterpretation": "RGB"}, "SamplesPerPixel: 1 contradicts RGB"),
        ({"PhotometricInterpretation": "CMYK"}, "'CMYK' is none of"),
        ({"PhotometricInterpretation": "PALETTE COLOR"}, "palette is not described"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.6.2"}, "Enhanced US Volume Storage"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.12.1"}, "is an X-ray run"),
    ],
)
def test_contradictory_pixel_description(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    assert words in refusal(write(tmp_path / "run.dcm", speckle(N), **changes))


def test_odd_frames_padded_at_the_end(tmp_path: Path) -> None:
    pixels = speckle(3, 45, 51)
    whole = region(RegionLocationMaxX1=50, RegionLocationMaxY1=44)
    run = read_run(write(tmp_path / "run.dcm", pixels, SequenceOfUltrasoundRegions=[whole]))
    np.testing.assert_array_equal(greys(run), pixels)
    path = write(tmp_path / "big.dcm", pixels, BIG_ENDIAN, SequenceOfUltrasoundRegions=[whole])
    np.testing.assert_array_equal(greys(read_run(path)), pixels)
    path.write_bytes(path.read_bytes().replace(b"\x7f\xe0\x00\x10OB", b"\x7f\xe0\x00\x10OW"))
    assert "odd number of bytes" in refusal(path)


# -------------------------------------------------------------------------------------------- the file


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("text.dcm", b"hello, this is no run at all", "not a DICOM file"),
        ("empty.dcm", b"", "is empty"),
        ("picture.dcm", b"\x89PNG\r\n\x1a\n" + bytes(500), "not a DICOM file"),
        ("preamble.dcm", bytes(128) + b"DICM", "not a DICOM image"),
        ("random.dcm", np.random.default_rng(1).bytes(4000), "not a DICOM"),
        ("short.dcm", bytes(128) + b"DICM\x02\x00", "not a DICOM image"),
    ],
)
def test_not_dicom(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert words in refusal(path)


def test_missing_file_empty_folder_and_pipe(tmp_path: Path) -> None:
    assert "cannot be read" in refusal(tmp_path / "none.dcm")
    (tmp_path / "folder").mkdir()
    assert "folder without ultrasound frames" in refusal(tmp_path / "folder")
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in refusal(tmp_path / "pipe")


def test_read_only_file_symbolic_link_and_spaces(tmp_path: Path) -> None:
    path = write(tmp_path / "a run with spaces.dcm", speckle(2))
    path.chmod(0o444)
    (tmp_path / "link.dcm").symlink_to(path)
    np.testing.assert_array_equal(greys(read_run(tmp_path / "link.dcm")), speckle(2))


@pytest.mark.parametrize("syntax", [IMPLICIT, EXPLICIT])
def test_no_file_header(tmp_path: Path, syntax: str) -> None:
    path = write(tmp_path / "run.dcm", speckle(2), syntax)
    data = path.read_bytes()
    path.write_bytes(data[data.index(b"\x08\x00\x05\x00") :])
    run = read_run(path)
    np.testing.assert_array_equal(greys(run), speckle(2))
    assert any("no DICOM file header" in note for note in run.warnings)


def test_file_header_without_transfer_syntax(tmp_path: Path) -> None:
    path = tmp_path / "run.dcm"
    dataset = header(speckle(2), EXPLICIT)
    dataset.PixelData = speckle(2).tobytes()
    dataset["PixelData"].VR = "OB"
    dataset.save_as(path, enforce_file_format=True)
    data = path.read_bytes()
    start = data.index(b"\x02\x00\x10\x00UI")
    end = start + 8 + int.from_bytes(data[start + 6 : start + 8], "little")
    path.write_bytes(data[:start] + data[end:])
    run = read_run(path)
    np.testing.assert_array_equal(greys(run), speckle(2))
    assert any("states no transfer syntax" in note for note in run.warnings)


def test_no_pixel_data(tmp_path: Path) -> None:
    path = tmp_path / "run.dcm"
    header(speckle(2)).save_as(path, enforce_file_format=True)
    assert "PixelData: holds no pixel data" in refusal(path)


def test_unknown_transfer_syntax(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(2))
    dataset = dcmread(path)
    dataset.file_meta.TransferSyntaxUID = UID("1.2.3.4")
    dataset.save_as(path, implicit_vr=False, little_endian=True)
    assert "transfer syntax 1.2.3.4 is not read" in refusal(path)


def test_a_deflated_bomb_is_stopped_early(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(header_module, "LARGEST_INFLATED_BYTES", 8 << 20)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    path = write(tmp_path / "run.dcm", speckle(2), "1.2.840.10008.1.2.1.99")
    data = path.read_bytes()
    meta_end = 132 + 12 + int.from_bytes(data[140:144], "little")
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    body = zlib.decompress(data[meta_end:], -zlib.MAX_WBITS) + bytes(64 << 20)
    path.write_bytes(data[:meta_end] + squeezer.compress(body) + squeezer.flush())
    assert path.stat().st_size < 1 << 20
    assert "inflates to more than 8 MB" in refusal(path)
    path.write_bytes(data[:meta_end] + b"\xff" * 100)
    assert "deflated data set is damaged" in refusal(path)


def test_an_inflated_copy_does_not_outlive_its_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    run = read_run(write(tmp_path / "run.dcm", speckle(2), "1.2.840.10008.1.2.1.99"))
    assert len(list(tmp_path.glob("boreline-*"))) == 1
    del run
    assert list(tmp_path.glob("boreline-*")) == []


def test_a_huge_private_value_is_not_held(tmp_path: Path) -> None:
    dataset = header(speckle(2))
    dataset.add_new(0x00091010, "OB", bytes(6 << 20))
    dataset.PixelData = speckle(2).tobytes()
    dataset["PixelData"].VR = "OB"
    dataset.save_as(tmp_path / "run.dcm", enforce_file_format=True)
    np.testing.assert_array_equal(greys(read_run(tmp_path / "run.dcm")), speckle(2))


def test_odd_texts_do_not_matter(tmp_path: Path) -> None:
    run = read_run(
        write(
            tmp_path / "run.dcm",
            speckle(2),
            SpecificCharacterSet=["", "ISO 2022 IR 87"],
            IVUSAcquisition="ZIGZAG",
            ImageType=["ORIGINAL", "PRIMARY", "INTRAVASCULAR", "A", "B"],
        )
    )
    assert run.pullback.kind is PullbackKind.UNKNOWN
    assert any("'ZIGZAG'" in note for note in run.warnings)


def test_a_path_in_place_of_an_identifier_goes_no_further(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(2))
    path.write_bytes(
        path.read_bytes().replace(b"\x08\x00\x18\x00UI\x0a\x002.25.1001\0", b"\x08\x00\x18\x00UI\x0a\x00../../etc/")
    )
    run = read_run(path)
    assert run.source.sop_instance_uid == ""
    assert any("SOPInstanceUID is no UID" in note for note in run.warnings)


def test_an_endless_class_is_not_repeated_in_full(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(2))
    old = b"\x08\x00\x16\x00UI\x1c\x00"
    path.write_bytes(path.read_bytes().replace(old, old[:-2] + b"\x60\x01"))
    assert len(refusal(path)) < 400


def test_control_characters_do_not_reach_a_terminal(tmp_path: Path) -> None:
    path = write(tmp_path / "run.dcm", speckle(2), Modality="IVUS")
    path.write_bytes(path.read_bytes().replace(b"\x08\x00\x60\x00CS\x04\x00IVUS", b"\x08\x00\x60\x00CS\x04\x00\x1b[2J"))
    assert read_run(path).source.modality == "?[2J"


def test_lossy_by_transfer_syntax_whatever_the_tag_says(tmp_path: Path) -> None:
    assert read_run(write(tmp_path / "run.dcm", speckle(2), JPEG, LossyImageCompression="00")).source.lossy
    assert read_run(write(tmp_path / "run.dcm", speckle(2), JPEG_LS, LossyImageCompression="01")).source.lossy


def test_one_frame_is_a_run_of_one(tmp_path: Path) -> None:
    run = read_run(write(tmp_path / "run.dcm", speckle(1)))
    assert run.n_frames == 1
    np.testing.assert_array_equal(greys(run), speckle(1))
