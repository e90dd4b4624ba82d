"""What leaves the program: valid DICOM, the tables' own numbers, and nothing of the patient."""

from __future__ import annotations

import shutil
import subprocess
import tracemalloc
from pathlib import Path

import cv2
import highdicom as hd
import numpy as np
import pandas as pd
import pydicom
import pytest
from result_folders import phantom_run, result_of_truth

from boreline.errors import InputRefused
from boreline.geometry import contour_areas_mm2
from boreline.model import Contours, Structure
from boreline.reporting.dicom_seg import packed_bits, write_segmentation
from boreline.reporting.identity import pseudonymous_identity
from boreline.reporting.page import write_report
from boreline.results import ResultFolder
from boreline.workflow.export import Export, export
from boreline.workflow.import_contours import import_contours

PLANTED = {
    "PatientName": "Zwiebelfisch^Ottokar",
    "PatientID": "PID-4711-QX",
    "PatientBirthDate": "19370217",
    "AccessionNumber": "ACC-9917-ZZ",
    "StudyID": "STUDY-5521",
    "StudyDate": "20190823",
    "StudyDescription": "Beschreibung Quittenmus",
    "SeriesDescription": "Lichtung Holunder",
    "ReferringPhysicianName": "Regenpfeifer^Anna",
    "PerformingPhysicianName": "Austernfischer^Bo",
    "OperatorsName": "Steinwaelzer^Cem",
    "InstitutionName": "Klinik Morgentau",
    "StationName": "STATION-KRANICH",
    "DeviceSerialNumber": "SN-88412-K",
    "ImageComments": "Kommentar Wacholder",
}
"""Invented; none is a real person or place."""


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("export")


@pytest.fixture(scope="module")
def key(base: Path) -> Path:
    path = base / "key"
    path.write_text("0123456789abcdef")
    return path


@pytest.fixture(scope="module")
def result(base: Path) -> ResultFolder:
    """A vessel with planted identifying values, private data and text burned in above and inside the picture."""
    run = phantom_run(base / "phantom", "stent", frames=30, size=256, text=True)
    ds = pydicom.dcmread(run)
    for keyword, value in PLANTED.items():
        setattr(ds, keyword, value)
    ds.private_block(0x0011, "BORELINE TEST", create=True).add_new(0x01, "LO", "PRIVATE-SCHNEPFE")
    ds.decompress()
    pixels = ds.pixel_array.copy()
    for frame in pixels:
        cv2.putText(frame, "OTTOKAR", (6, 28 + 22), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 1)
        cv2.putText(frame, "ZF", (150, 28 + 60), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 2)
    ds.PixelData = pixels.tobytes()
    ds.save_as(run)
    return result_of_truth(run, base / "result")


@pytest.fixture(scope="module")
def exported(result: ResultFolder, base: Path, key: Path) -> Export:
    return export(result.path, base / "out", key_file=key)


def of_kind(done: Export, ending: str) -> Path:
    return next(path for path in done.files if path.name.endswith(ending))


def planted_in(data: bytes) -> list[str]:
    words = {part for value in PLANTED.values() for part in value.replace("^", " ").split() if len(part) > 3}
    words |= {"SCHNEPFE", "BORELINE TEST"}
    return sorted(word for word in words if any(word.encode(code) in data for code in ("utf-8", "utf-16-le")))


def test_the_scan_finds_what_is_there(result: ResultFolder, base: Path) -> None:
    """A scan that cannot fail proves nothing: the source itself holds every planted value."""
    assert len(planted_in((result.path.parent / "phantom" / "run.dcm").read_bytes())) >= len(PLANTED)


def test_no_output_holds_a_planted_value(result: ResultFolder, exported: Export) -> None:
    page = write_report(result, result.open_run(), result.path / "report.html")
    for path in (*exported.files, page, result.path / "run.json"):
        assert planted_in(path.read_bytes()) == [], path
        if path.suffix == ".dcm":
            assert planted_in(str(pydicom.dcmread(path)).encode()) == [], path
        if path.suffix == ".parquet":
            assert planted_in(pd.read_parquet(path).to_csv().encode()) == [], path
    source = result.record["source"]
    for uid in (source["study_uid"], source["series_uid"], source["sop_instance_uid"]):
        assert all(uid.encode() not in path.read_bytes() for path in (*exported.files, page)), uid


def test_text_burned_into_the_picture_is_not_shown(result: ResultFolder) -> None:
    """Decoded pictures of the page hold no run of saturated pixels where text was drawn; unmasked crops do."""
    from boreline.reporting.masking import hidden_pixels

    run, region = result.open_run(), result.region()
    crops = [f.grey[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1] for f in run.frames() if f.grey is not None]
    hidden = hidden_pixels(crops, region, result.calibration())
    drawn = np.zeros(hidden.shape, dtype=bool)
    drawn[5:30, :90] = drawn[40:65, 145:200] = True
    text = (np.minimum.reduce(crops) >= 250) & drawn
    assert text.sum() > 100
    assert (text & ~hidden).sum() == 0


def test_identity_is_kept_only_when_asked(result: ResultFolder, base: Path, key: Path) -> None:
    done = export(result.path, base / "kept", key_file=key, keep_identity=True)
    for path in done.files:
        found = planted_in(path.read_bytes())
        if path.suffix != ".dcm":
            assert found == [], path
            continue
        ds = pydicom.dcmread(path)
        assert str(ds.PatientName) == PLANTED["PatientName"]
        assert result.record["source"]["study_uid"] == ds.StudyInstanceUID
        forbidden = {"Morgentau", "SCHNEPFE", "STATION-KRANICH", "Wacholder", "Holunder", "Quittenmus", "SN-88412-K"}
        assert not forbidden & set(found)


def test_exports_repeat(result: ResultFolder, exported: Export, base: Path, key: Path) -> None:
    again = export(result.path, base / "again", key_file=key)
    for one, two in zip(exported.files, again.files, strict=True):
        if one.name.endswith("_seg.dcm"):
            assert one.read_bytes() == two.read_bytes()
        if one.suffix == ".dcm":
            assert pydicom.dcmread(one).SOPInstanceUID == pydicom.dcmread(two).SOPInstanceUID
    other = base / "other-key"
    other.write_text("fedcba9876543210")
    elsewhere = export(result.path, base / "elsewhere", key_file=other)
    ids = {pydicom.dcmread(of_kind(done, "_sr.dcm")).PatientID for done in (exported, again, elsewhere)}
    assert len(ids) == 2


def errors_of(path: Path) -> list[str]:
    done = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False, timeout=60)
    return [line for line in (done.stdout + done.stderr).splitlines() if line.startswith("Error")]


@pytest.mark.skipif(shutil.which("dciodvfy") is None, reason="dciodvfy (Debian dicom3tools) is not installed")
def test_objects_are_valid_and_the_checker_would_tell(exported: Export, tmp_path: Path) -> None:
    for ending, missing in (("_seg.dcm", "SegmentSequence"), ("_sr.dcm", "CurrentRequestedProcedureEvidenceSequence")):
        path = of_kind(exported, ending)
        assert errors_of(path) == []
        ds = pydicom.dcmread(path)
        del ds[missing]
        ds.save_as(tmp_path / "broken.dcm")
        assert errors_of(tmp_path / "broken.dcm"), f"no error without {missing}"


@pytest.mark.skipif(shutil.which("dsrdump") is None, reason="dsrdump (Debian dcmtk) is not installed")
def test_a_second_toolkit_reads_them(exported: Export) -> None:
    sr = subprocess.run(["dsrdump", str(of_kind(exported, "_sr.dcm"))], capture_output=True, text=True, check=True)
    assert "IVUS Report" in sr.stdout
    seg = of_kind(exported, "_seg.dcm")
    subprocess.run(["dcm2json", str(seg)], capture_output=True, check=True)


def test_report_numbers_are_the_tables(result: ResultFolder, exported: Export) -> None:
    document = hd.sr.srread(of_kind(exported, "_sr.dcm"))
    frames = result.frames()
    row = frames.loc[frames["lumen_area_mm2"].idxmin()]
    text = [
        (item.ConceptNameCodeSequence[0].CodeValue, float(item.MeasuredValueSequence[0].NumericValue))
        for group in document.ContentSequence[-1].ContentSequence
        if group.ValueType == "CONTAINER" and group.ContentSequence[0].TextValue == "smallest lumen"
        for item in group.ContentSequence
        if item.ValueType == "NUM"
    ]
    assert ("397415007", row["lumen_area_mm2"]) in text
    assert ("122333", row["eem_area_mm2"]) in text
    assert ("122354", row["plaque_burden_pct"]) in text


def test_masks_have_the_contours_areas(result: ResultFolder, exported: Export) -> None:
    seg = hd.seg.segread(of_kind(exported, "_seg.dcm"))
    calibration = result.calibration()
    uid = pydicom.dcmread(of_kind(exported, "_seg.dcm")).ReferencedSeriesSequence[0]
    instance = uid.ReferencedInstanceSequence[0].ReferencedSOPInstanceUID
    present = [s for s in Structure if result.contours(s).present.any()]
    frames = [1, 15, 30]
    masks = seg.get_pixels_by_source_frame(instance, frames, segment_numbers=list(range(1, len(present) + 1)))
    for i, structure in enumerate(present):
        areas = contour_areas_mm2(result.contours(structure), calibration)
        counted = masks[..., i].sum(axis=(1, 2)) * calibration.mm_per_px_x * calibration.mm_per_px_y
        # 256 pixels here; at 512 see below
        np.testing.assert_allclose(counted, np.nan_to_num(areas[np.array(frames) - 1]), rtol=0.02)


def test_masks_at_512_are_within_one_percent(base: Path, key: Path) -> None:
    """Every structure of every frame, at the size of the goal."""
    folder = result_of_truth(phantom_run(base / "large", "stent", frames=12, size=512), base / "large-res")
    record = folder.record["source"]
    assert (record["rows"], record["columns"]) == (512, 512)
    done = export(folder.path, base / "large-out", key_file=key)
    seg = pydicom.dcmread(of_kind(done, "_seg.dcm"))
    masks = seg.pixel_array
    calibration = folder.calibration()
    labels = {item.SegmentNumber: Structure(item.SegmentLabel) for item in seg.SegmentSequence}
    worst = 0.0
    for mask, group in zip(masks, seg.PerFrameFunctionalGroupsSequence, strict=True):
        structure = labels[group.SegmentIdentificationSequence[0].ReferencedSegmentNumber]
        source = group.DerivationImageSequence[0].SourceImageSequence[0]
        area = contour_areas_mm2(folder.contours(structure), calibration)[int(source.ReferencedFrameNumber) - 1]
        counted = mask.sum() * calibration.mm_per_px_x * calibration.mm_per_px_y
        worst = max(worst, abs(counted / area - 1))
    assert set(labels.values()) == set(Structure)
    assert len(masks) >= 30
    assert worst < 0.01


def test_contours_come_back(result: ResultFolder, exported: Export, base: Path, key: Path) -> None:
    copy = base / "copy"
    shutil.copytree(result.path, copy)
    untouched = (copy / "automatic" / "contours.parquet").read_bytes()
    done = import_contours(copy, of_kind(exported, "_seg.dcm"), key_file=key)
    assert done.n_frames["lumen"] == result.contours(Structure.LUMEN).present.sum()
    back = ResultFolder.open(copy)
    frames, before = back.frames(), result.frames()
    np.testing.assert_allclose(frames["lumen_area_mm2"], before["lumen_area_mm2"], rtol=0.02)
    assert frames["flags"].str.contains("imported").all()
    assert frames["confidence"].isna().all()
    assert (copy / "automatic" / "contours.parquet").read_bytes() == untouched
    assert (back.contours(Structure.LUMEN, automatic=True).origin == 2).all(), "edits build on the import"


def test_a_segmentation_of_another_run_is_refused(exported: Export, base: Path, key: Path) -> None:
    other = result_of_truth(phantom_run(base / "other", "circle-3", frames=30, size=256, text=True), base / "other-res")
    with pytest.raises(InputRefused, match="another run"):
        import_contours(other.path, of_kind(exported, "_seg.dcm"), key_file=key)
    small = result_of_truth(phantom_run(base / "small", "circle-3", frames=8, size=192), base / "small-res")
    with pytest.raises(InputRefused, match="masks of 256 x 284"):
        import_contours(small.path, of_kind(exported, "_seg.dcm"), key_file=key, any_source=True)


def test_bits_run_on_across_frames_of_odd_size() -> None:
    """PS3.5 8.1.1: bit-packed frames follow each other without padding; pydicom's own packing is the judge."""
    rng = np.random.default_rng(1)
    masks = rng.random((5, 7, 9)) < 0.5
    packed = b"".join(packed_bits(iter(masks)))
    assert packed == pydicom.pixels.pack_bits(masks.astype(np.uint8).ravel(), pad=False)


def test_a_long_segmentation_needs_no_memory(result: ResultFolder, tmp_path: Path) -> None:
    """The peak of Python's own allocations stays the same for ten times the frames (and below 20 MB)."""
    polygon = result.contours(Structure.LUMEN).polygon(0)
    record = result.record
    identity = pseudonymous_identity(record["source"], None, b"0" * 16)
    peaks = []
    for n in (40, 400):
        contours = {Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, [polygon] * n)}
        tracemalloc.start()
        write_segmentation(tmp_path / "seg.dcm", contours, record, identity)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 2_000_000
    assert peaks[1] < 20_000_000
