"""Which runs an archive, a list or a mapping names, and in which order they may be analysed."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from boreline.batch.archive import read_archive, stated_options
from boreline.batch.job import Job
from boreline.batch.run import _waves
from boreline.errors import InputRefused
from boreline.reading import read_run
from boreline_phantoms.media import write_media
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene


def test_a_pattern_keeps_the_paths_that_match(archive: Path) -> None:
    found = read_archive(archive, pattern="site2/*").candidates
    assert [candidate.relative for candidate in found] == ["site2/run.dcm", "site2/same.dcm"]
    with pytest.raises(InputRefused, match="no pullback"):
        read_archive(archive, pattern="site9/*")


def test_a_list_names_its_runs_and_what_is_known_of_them(archive: Path) -> None:
    listed = archive.parent / "list.csv"
    name = archive.name
    listed.write_text(
        "file,vessel,phase,mm_per_pixel_x,mm_per_pixel_y,pullback_speed_mm_s\n"
        f"{name}/site1/run.dcm,lad,before,0.02,0.021,1.0\n{name}/site3/run.dcm,,,,,\n"
    )
    found = read_archive(listed)
    assert [candidate.file.parent.name for candidate in found.candidates] == ["site1", "site3"]
    assert found.skipped == ()
    assert stated_options(found.candidates[0].stated) == {
        "vessel": "lad",
        "phase": "before",
        "mm_per_px": [0.02, 0.021],
        "pullback_speed_mm_s": 1.0,
    }
    assert stated_options(found.candidates[1].stated) == {}


def test_a_run_has_the_same_name_in_a_list_and_in_its_folder(archive: Path) -> None:
    listed = archive / "list.csv"
    listed.write_text("file\nsite1/run.dcm\n")
    try:
        names = {c.relative: c.name for c in read_archive(archive).candidates}
        assert read_archive(listed).candidates[0].name == names["site1/run.dcm"]
    finally:
        listed.unlink()


def test_a_mapping_adds_to_what_the_folder_shows(archive: Path, tmp_path: Path) -> None:
    mapping = tmp_path / "map.csv"
    run = os.path.relpath(archive / "site3" / "run.dcm", tmp_path)
    mapping.write_text(f"file,vessel,balloon_mm\n{run},rca,3.5\n")
    found = {c.relative: c for c in read_archive(archive, mapping=mapping).candidates}
    assert len(found) == 5
    assert found["site3/run.dcm"].stated["vessel"] == "rca"
    assert found["site3/run.dcm"].stated["balloon_mm"] == "3.5"
    assert found["site1/run.dcm"].stated == {}


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("file,colour\na.dcm,red\n", "'colour' is unknown"),
        ("vessel\nlad\n", "lacks the column 'file'"),
        ("file,vessel\nsite1/run.dcm,aorta\n", "row 2: 'aorta' is no vessel"),
        ("file,balloon_mm\nsite1/run.dcm,-3\n", "row 2, balloon_mm: '-3' is no positive number"),
        ("file,before\nsite1/run.dcm,gone.dcm\n", "row 2: the before 'gone.dcm' is missing"),
    ],
)
def test_a_list_that_makes_no_sense_is_refused(archive: Path, text: str, complaint: str) -> None:
    listed = archive / "bad.csv"
    listed.write_text(text)
    try:
        with pytest.raises(InputRefused, match=complaint):
            read_archive(listed)
    finally:
        listed.unlink()


def test_the_directory_of_an_export_stands_for_its_folder(archive: Path, tmp_path: Path) -> None:
    first, _ = write_media([archive / "site1" / "run.dcm", archive / "site3" / "run.dcm"], tmp_path)
    by_folder, by_directory = read_archive(tmp_path), read_archive(tmp_path / "DICOMDIR")
    assert len(by_directory.candidates) == 2
    assert by_directory == by_folder
    with pytest.raises(InputRefused, match="is one DICOM file; give its folder, or analyse this file"):
        read_archive(first)


def test_a_treated_run_finds_the_one_before_of_its_study_and_vessel(tmp_path: Path) -> None:
    """The phantoms' study follows from scene and seed, so more frames make another run of the same study."""
    for name, seed, frames in (("early", 5, 3), ("late", 5, 4), ("foreign", 6, 3)):
        write_scene(circle(3.0).with_(seed=seed, frames=frames), tmp_path / name)
    mapping = tmp_path / "map.csv"
    lines = "early/run.dcm,lad,before\nforeign/run.dcm,lad,before\nlate/run.dcm,{vessel},implanted\n"
    mapping.write_text("file,vessel,phase\n" + lines.format(vessel="lad"))
    found = {c.relative: c for c in read_archive(tmp_path, mapping=mapping).candidates}
    assert Path(found["late/run.dcm"].stated["before"]) == (tmp_path / "early" / "run.dcm").resolve()
    assert "before" not in found["early/run.dcm"].stated
    mapping.write_text("file,vessel,phase\n" + lines.format(vessel="rca"))
    found = {c.relative: c for c in read_archive(tmp_path, mapping=mapping).candidates}
    assert "before" not in found["late/run.dcm"].stated


def test_a_run_waits_for_the_one_it_is_compared_with() -> None:
    job = Job("a", "", "", "out/a", {}, {}, 1, 1)
    b, c, alone = replace(job, out="b", before="out/a"), replace(job, out="c", before="b"), replace(job, out="d")
    assert list(_waves([c, b, job, alone])) == [[job, alone], [b], [c]]
    assert list(_waves([replace(job, before="b"), b])) == [[replace(job, before="b"), b]]
    assert list(_waves([replace(job, before="done earlier")])) == [[replace(job, before="done earlier")]]


def test_faults_of_every_kind_are_told_apart(archive: Path, tmp_path: Path) -> None:
    """A run that cannot be used is a candidate with a defect; a file of another kind is skipped."""
    from pydicom import dcmread

    shutil.copytree(archive / "site1", tmp_path / "sound")
    whole = dcmread(archive / "site3" / "run.dcm")
    del whole.SequenceOfUltrasoundRegions
    whole.save_as(tmp_path / "uncalibrated.dcm")
    pixelless = dcmread(archive / "site2" / "run.dcm")
    del pixelless.PixelData
    pixelless.save_as(tmp_path / "pixelless.dcm")
    report = dcmread(archive / "site2" / "run.dcm")
    report.SOPClassUID = report.file_meta.MediaStorageSOPClassUID = (
        "1.2.840.10008.5.1.4.1.1.88.11"  # PS3.4: Basic Text SR
    )
    del report.PixelData
    report.save_as(tmp_path / "report.dcm")
    found = read_archive(tmp_path)
    defects = {c.relative: c.defect for c in found.candidates}
    assert set(defects) == {"sound/run.dcm", "uncalibrated.dcm", "pixelless.dcm"}
    assert defects["sound/run.dcm"] is None
    assert defects["uncalibrated.dcm"]
    assert defects["pixelless.dcm"]
    assert "report.dcm" in dict(found.skipped)
    assert read_run(tmp_path / "sound" / "run.dcm").n_frames == 4
