"""X-ray scenes: geometry worked by hand, valid DICOM, one clock, truth where the picture shows it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest

from boreline_phantoms.xray import View, XrayScene
from boreline_phantoms.xray_drawing import cine_frames, fluoro_frames
from boreline_phantoms.xray_scenes import LEVELS, REPORTING_SEEDS, TUNING_SEEDS, xray_scene
from boreline_phantoms.xray_writing import IVUS_STARTED_AT, write_xray

DCIODVFY = shutil.which("dciodvfy")


@pytest.fixture(scope="module")
def short_scene() -> XrayScene:
    scene = xray_scene("middle", 2, seconds=8.0, biplane=True)
    cine = replace(scene.cine, n_frames=4)
    return replace(
        scene, fluoro=replace(scene.fluoro, n_frames=5), cine=cine, cine2=replace(scene.cine2 or cine, n_frames=2)
    )


@pytest.fixture(scope="module")
def written(short_scene: XrayScene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("xray")
    write_xray(short_scene, folder, encoding="explicit")
    return folder


def complaints(path: Path) -> list[str]:
    assert DCIODVFY is not None
    said = subprocess.run([DCIODVFY, str(path)], capture_output=True, text=True, check=False)
    return [line for line in (said.stdout + said.stderr).splitlines() if line.startswith(("Error", "Warning"))]


def test_the_projection_magnifies_as_ps3_3_defines_it() -> None:
    """C.8.7.5: magnification = source-to-detector over source-to-object distance; 10 mm at three depths."""
    view = View(0.0, 0.0, 1000.0, 750.0, 0.2)
    centre = 255.5
    # Frontal view: the detector is in front of the chest, so 30 mm forward (-y) is nearer to it.
    places = np.array([[10.0, 0.0, 0.0], [10.0, -30.0, 0.0], [10.0, 30.0, 0.0], [0.0, 0.0, 10.0]])
    pixels = view.project(places)
    np.testing.assert_allclose(pixels[0], [centre + 10 * 1000 / 750 / 0.2, centre])
    np.testing.assert_allclose(pixels[1, 0], centre + 10 * 1000 / 780 / 0.2)
    np.testing.assert_allclose(pixels[2, 0], centre + 10 * 1000 / 720 / 0.2)
    np.testing.assert_allclose(pixels[3], [centre, centre - 10 * 1000 / 750 / 0.2])
    assert view.mm_per_px == pytest.approx(0.15)


def test_positive_angles_are_left_oblique_and_cranial() -> None:
    """PS3.3 C.8.7.5.1.2: + primary moves the detector to the patient's left, + secondary towards the head."""
    np.testing.assert_allclose(View(90.0, 0.0).axes()[2], [1, 0, 0], atol=1e-12)
    np.testing.assert_allclose(View(0.0, 90.0 - 1e-9).axes()[2], [0, 0, 1], atol=1e-6)


@pytest.mark.skipif(DCIODVFY is None, reason="dciodvfy (Debian package dicom3tools) is not installed")
@pytest.mark.parametrize("name", ["fluoro", "cine", "cine2"])
def test_films_are_valid_xa_objects(written: Path, tmp_path: Path, name: str) -> None:
    assert complaints(written / f"{name}.dcm") == []
    broken = pydicom.dcmread(written / f"{name}.dcm")
    del broken.RadiationSetting
    broken.save_as(tmp_path / "broken.dcm")
    assert any("RadiationSetting" in line for line in complaints(tmp_path / "broken.dcm"))


def test_films_share_the_clock_of_the_ivus_run(written: Path, short_scene: XrayScene) -> None:
    for name, film, setting in (("fluoro", short_scene.fluoro, "SC"), ("cine", short_scene.cine, "GR")):
        header = pydicom.dcmread(written / f"{name}.dcm", stop_before_pixels=True)
        started = datetime.strptime(header.AcquisitionDateTime, "%Y%m%d%H%M%S.%f%z")
        assert started - IVUS_STARTED_AT == timedelta(seconds=film.start_s)
        assert header.RadiationSetting == setting
        assert float(header.PositionerPrimaryAngle) == film.view.primary_deg
        assert header.NumberOfFrames == film.n_frames


def test_the_written_truth_is_the_scenes(written: Path, short_scene: XrayScene) -> None:
    marker = pd.read_parquet(written / "truth" / "marker.parquet")
    path = pd.read_parquet(written / "truth" / "path.parquet")
    np.testing.assert_allclose(marker[["x_px", "y_px"]], short_scene.marker_px())
    assert marker["frame"].tolist() == [1, 2, 3, 4, 5]
    assert len(path) == short_scene.ivus_frames
    assert path["arc_mm"].min() == 0.0


@pytest.mark.parametrize("level", LEVELS)
def test_the_marker_is_drawn_where_the_truth_says(level: str) -> None:
    """The darkness that the marker adds has its centre of mass at the true place, to a tenth of a pixel."""
    scene = replace(xray_scene(level, 3), hidden=(), off_axis_mm=0.0)
    for number in (10,):
        with_marker = next(fluoro_frames(scene, number, number + 1)).astype(float)
        without = next(fluoro_frames(replace(scene, marker_density=0.0), number, number + 1)).astype(float)
        x, y = scene.marker_px()[number]
        rows, columns = np.mgrid[int(y) - 9 : int(y) + 10, int(x) - 9 : int(x) + 10]
        added = (without - with_marker)[int(y) - 9 : int(y) + 10, int(x) - 9 : int(x) + 10]
        centre = np.array([(added * columns).sum(), (added * rows).sum()]) / added.sum()
        assert np.hypot(*(centre - [x, y])) < 0.3
        assert added.max() > 20


def test_contrast_arrives_and_darkens_the_vessel() -> None:
    scene = xray_scene("easy", 1)
    places = np.rint(scene.curve_px(np.arange(5.0, 60.0, 5.0), float(scene.cine.times_s[30]), scene.cine)).astype(int)
    before, filled = (next(cine_frames(scene, scene.cine, k, k + 1)).astype(float) for k in (0, 30))
    assert (before - filled)[places[:, 1], places[:, 0]].mean() > 20
    assert abs((before - filled)[:40, -40:].mean()) < 3


def test_scenes_repeat_by_seed_and_differ_between_seeds() -> None:
    first, again, other = (next(fluoro_frames(xray_scene("hard", seed), 50, 51)) for seed in (4, 4, 5))
    np.testing.assert_array_equal(first, again)
    assert (first != other).mean() > 0.3
    assert not set(TUNING_SEEDS) & set(REPORTING_SEEDS)


def test_a_hard_pull_stops_and_goes_back() -> None:
    scene = xray_scene("hard", 2)
    along = scene.hand.along_mm(scene.ivus_times_s)
    speed = -np.gradient(along, scene.ivus_times_s)
    assert speed.min() < -0.5
    assert np.mean(np.abs(speed) < 0.05) > 0.1
    assert along[-1] < along[0] - 10
