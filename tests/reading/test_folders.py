"""Folders: single frames put in order, and what a mixed folder holds."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_builders import JPEG_LOSSLESS, US_IMAGE, XA_IMAGE, region, speckle, write, write_single_frames

from boreline.errors import InputRefused
from boreline.reading import discover, read_run, read_xray
from boreline.reading.describe import describe_found, next_commands

N = 9


def test_single_frames_are_put_in_order_by_instance_number(tmp_path: Path) -> None:
    pixels = speckle(N)
    run = read_run(write_single_frames(tmp_path / "s", pixels))
    np.testing.assert_array_equal(np.array([frame.grey for frame in run.frames()]), pixels)
    assert [frame.number for frame in run.frames(3, 6)] == [3, 4, 5]
    # Acquisition DateTime: 40 ms apart.
    np.testing.assert_allclose(run.timing.times_s, np.arange(N) * 0.04)
    assert any(f"{N} single frames" in note for note in run.warnings)


def test_single_frames_without_numbers_are_ordered_by_time(tmp_path: Path) -> None:
    pixels = speckle(N)
    run = read_run(write_single_frames(tmp_path / "s", pixels, InstanceNumber=None))
    np.testing.assert_array_equal(np.array([frame.grey for frame in run.frames()]), pixels)


def test_single_frames_that_cannot_be_ordered_are_refused(tmp_path: Path) -> None:
    folder = write_single_frames(tmp_path / "s", speckle(3), InstanceNumber=1, AcquisitionDateTime=None)
    with pytest.raises(InputRefused, match="InstanceNumber: frames cannot be ordered"):
        read_run(folder)


def test_missing_frames_are_refused_and_the_rest_kept_in_time(tmp_path: Path) -> None:
    folder = write_single_frames(tmp_path / "s", speckle(N), order=[0, 1, 2, 5, 6], AcquisitionDateTime=None)
    with pytest.raises(InputRefused, match=r"2 frames are missing, the first is number 4.*--whole-frames-only"):
        read_run(folder)
    run = read_run(folder, whole_frames_only=True, frame_rate_hz=10.0)
    np.testing.assert_allclose(run.timing.times_s, [0, 0.1, 0.2, 0.5, 0.6])


def test_frames_that_differ_are_refused(tmp_path: Path) -> None:
    folder = write_single_frames(tmp_path / "s", speckle(3))
    write(folder / "x.dcm", speckle(1, 40, 64), SOPClassUID=US_IMAGE, InstanceNumber=4)
    with pytest.raises(InputRefused, match="differs in its pixel layout"):
        read_run(folder)
    (folder / "x.dcm").unlink()
    other = [region(PhysicalDeltaX=0.02)]
    write(folder / "x.dcm", speckle(1), SOPClassUID=US_IMAGE, InstanceNumber=4, SequenceOfUltrasoundRegions=other)
    with pytest.raises(InputRefused, match="differs in calibration"):
        read_run(folder)


def test_two_series_or_a_multi_frame_file_are_not_one_run(tmp_path: Path) -> None:
    folder = write_single_frames(tmp_path / "s", speckle(3))
    write(folder / "other.dcm", speckle(1), SOPClassUID=US_IMAGE, SeriesInstanceUID="2.25.9", InstanceNumber=1)
    with pytest.raises(InputRefused, match="single frames of 2 series"):
        read_run(folder)
    write(folder / "multi.dcm", speckle(3))
    with pytest.raises(InputRefused, match=r"1 multi-frame files; give one of them, for example .*multi\.dcm") as told:
        read_run(folder)
    assert f"boreline inspect {folder}'" in str(told.value)
    with pytest.raises(InputRefused, match="without ultrasound frames of its own; give the file of one run") as told:
        read_run(tmp_path)
    assert f"boreline inspect {tmp_path}'" in str(told.value)
    with pytest.raises(InputRefused, match="is a folder, not a file; give a DICOM file"):
        read_xray(folder)


def film(path: Path, setting: str, started: str, **changes: Any) -> Path:
    attributes: dict[str, Any] = {
        "SOPClassUID": XA_IMAGE,
        "Modality": "XA",
        "RadiationSetting": setting,
        "AcquisitionDateTime": started,
        "PositionerPrimaryAngle": "30",
        "PositionerSecondaryAngle": "-20",
        "FrameTime": "1000",
        "SequenceOfUltrasoundRegions": None,
    } | changes
    return write(path, speckle(5), JPEG_LOSSLESS, **attributes)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """An export: two pullbacks, a broken one, single frames, X-ray of two studies and views, and other files."""
    folder = tmp_path / "export"
    (folder / "A" / "B").mkdir(parents=True)
    started = "20250102030405+0000"
    write(folder / "A" / "IM1", speckle(5), AcquisitionDateTime=started, FrameTime="1000")
    write(folder / "A" / "IM2", speckle(5), AcquisitionDateTime="20250102040000+0000", StudyInstanceUID="2.25.77")
    write(folder / "A" / "IM3", speckle(5), SequenceOfUltrasoundRegions=[region(PhysicalDeltaX=0.0)])
    film(folder / "A" / "B" / "far", "SC", "20250102030000+0000")
    film(folder / "A" / "B" / "near", "SC", "20250102030403+0000")
    film(folder / "A" / "B" / "cine", "GR", "20250102030300+0000")
    film(folder / "A" / "B" / "other view", "GR", "20250102030404+0000", PositionerPrimaryAngle="-30")
    film(folder / "A" / "B" / "other study", "GR", "20250102030404+0000", StudyInstanceUID="2.25.5")
    write_single_frames(folder / "frames", speckle(4), SeriesInstanceUID="2.25.88")
    (folder / "notes.dcm").write_text("not DICOM at all")
    (folder / "cut.dcm").write_bytes((folder / "A" / "IM1").read_bytes()[:300])
    return folder


def test_a_mixed_folder_is_sorted_out(export: Path) -> None:
    found = discover(export)
    assert [run.path.name for run in found.pullbacks] == ["IM1", "IM2", "IM3", "frames"]
    assert [run.defect is None for run in found.pullbacks] == [True, True, False, True]
    assert "PhysicalDeltaX" in (found.pullbacks[2].defect or "")
    assert len(found.xrays) == 5
    assert {item.path.name for item in found.skipped} == {"notes.dcm", "cut.dcm"}
    assert all(item.reason for item in found.skipped)


def test_likely_pairs_share_study_time_and_view(export: Path) -> None:
    pair = next(pair for pair in discover(export).pairs if pair.pullback.path.name == "IM1")
    assert pair.fluoro is not None
    assert pair.fluoro.path.name == "near"
    assert pair.cine is not None
    assert pair.cine.path.name == "cine"
    # 5 frames a second apart from 03:04:05 and from 03:04:03 overlap for 2 s.
    assert "overlaps for 2.0 s" in pair.reason


def test_next_commands_name_real_files(export: Path) -> None:
    commands = next_commands(discover(export))
    assert commands[0] == f"boreline analyse {export}/A/IM1 --out results/IM1"
    assert commands[1].startswith(
        f"boreline coregister results/IM1 --fluoro {export}/A/B/near --cine {export}/A/B/cine"
    )
    assert commands[-1] == f"boreline batch {export} --out results"


def test_description_has_no_dates(export: Path) -> None:
    text = repr(describe_found(discover(export)))
    assert "20250102" not in text
    assert "2025-01-02" not in text


def test_an_empty_folder_and_a_file_that_is_no_directory(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    found = discover(tmp_path / "empty")
    assert (found.pullbacks, found.skipped) == ((), ())
    assert next_commands(found) == []
    with pytest.raises(InputRefused, match="no folder"):
        discover(tmp_path / "none")
    with pytest.raises(InputRefused, match="neither a folder nor a DICOM directory"):
        discover(write(tmp_path / "run.dcm", speckle(1)))


def test_an_unreadable_or_odd_entry_does_not_stop_the_search(export: Path) -> None:
    (export / "loop").symlink_to(export)
    (export / "dangling").symlink_to(export / "nowhere")
    found = discover(export)
    assert len(found.pullbacks) == 4
    assert any(item.path.name == "dangling" for item in found.skipped)


def test_thousands_of_files_take_a_few_milliseconds_each(tmp_path: Path) -> None:
    template = write(tmp_path / "one.dcm", speckle(2, 8, 8), SOPClassUID="1.2.840.10008.5.1.4.1.1.2")
    folder = tmp_path / "many"
    folder.mkdir()
    for i in range(500):
        shutil.copyfile(template, folder / f"{i}")
    start = time.process_time()
    found = discover(folder)
    assert len(found.skipped) == 500
    # 10,000 files must take less than 30 s.
    assert (time.process_time() - start) / 500 < 0.003
