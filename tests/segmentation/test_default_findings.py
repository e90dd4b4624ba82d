"""The default segmenter fills stent, calcium, apposition and frame flags; phantoms with known truth (tuning seeds)."""

import numpy as np
import pytest

from boreline.flags import Flag
from boreline.geometry import contour_areas_mm2
from boreline.model import SectorKind, Structure
from boreline.reading import read_run
from boreline.segmentation.protocol import load_segmenter
from boreline_phantoms import scenes, write_scene


def _segment(name, frames, tmp_path, seed=1, **changes):
    scene = scenes.get(name).with_(seed=seed, frames=frames, size=320, **changes)
    write_scene(scene, tmp_path / "scene")
    run = read_run(tmp_path / "scene" / "run.dcm")
    return run, load_segmenter().segment(run), scene.truth()


def _flagged(flags, flag):
    return np.array([flag in words for words in flags])


def test_a_stent(tmp_path):
    run, found, truth = _segment("stent", 48, tmp_path)
    present, true = found.contours[Structure.STENT].present, np.isfinite(truth.columns["stent_area_mm2"])
    assert (present != true).sum() <= 2
    both = present & true
    areas = contour_areas_mm2(found.contours[Structure.STENT], run.calibration)
    error = areas[both] / truth.columns["stent_area_mm2"][both] - 1
    assert np.abs(error).mean() < 0.04
    assert np.array_equal(_flagged(found.flags, Flag.STENT), present)
    assert np.isfinite(found.area_sd_mm2[Structure.STENT][present]).all()
    assert np.array_equal(np.isfinite(found.malapposition_mm), present)
    assert {SectorKind.STRUT} <= set(found.sectors.kind)
    assert np.all(np.diff(found.sectors.frame) >= 0)


def test_struts_that_stand_off_the_wall(tmp_path):
    _, found, truth = _segment("stent-small", 40, tmp_path, mhz=60.0)
    far = truth.columns["malapposition_mm"] >= 0.4
    assert (found.malapposition_mm[far] >= 0.35).mean() >= 0.8
    assert _flagged(found.flags, Flag.MALAPPOSED)[far].mean() >= 0.8


def test_apposition_is_not_claimed_where_struts_are_too_broad_to_tell(tmp_path):
    _, found, _ = _segment("stent-small", 24, tmp_path, seed=2, mhz=20.0)
    distance = found.malapposition_mm[found.contours[Structure.STENT].present]
    assert len(distance) >= 5
    assert (np.isnan(distance) | (distance > 0.2)).all()


def test_frames_in_the_guide_catheter(tmp_path):
    _, found, truth = _segment("guide", 60, tmp_path)
    true = _flagged(truth.flags, Flag.IN_GUIDE)
    vessel = ~(true | _flagged(truth.flags, Flag.OUTSIDE_VESSEL) | _flagged(truth.flags, Flag.BLANK))
    guide = _flagged(found.flags, Flag.IN_GUIDE)
    assert guide[true].mean() >= 0.9
    assert not guide[vessel].any()
    assert not _flagged(found.flags, Flag.OUTSIDE_VESSEL)[vessel].any()


def test_calcium(tmp_path):
    _, found, truth = _segment("calcium-wide", 24, tmp_path)
    error = found.calcium_arc_deg - truth.columns["calcium_arc_deg"]
    assert np.abs(error).mean() <= 20
    assert not found.contours[Structure.STENT].present.any()
    assert found.calcium_arc_deg == pytest.approx(
        np.bincount(
            found.sectors.frame,
            (found.sectors.end_deg - found.sectors.start_deg)
            * np.array([kind is SectorKind.CALCIUM for kind in found.sectors.kind]),
            minlength=24,
        ),
        abs=1e-6,
    )
