"""Frames are the same however they are asked for, and behave like blood and wall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt
from skimage.draw import polygon2mask

from boreline.errors import InputRefused
from boreline.model import Structure
from boreline_phantoms import Scene, scenes
from boreline_phantoms.physics import Blood
from boreline_phantoms.splits import (
    REPORTING_RANDOM,
    REPORTING_SEEDS,
    SPARE_RANDOM,
    TUNING_RANDOM,
    TUNING_SEEDS,
    difficulty,
    reporting,
    tuning,
)
from boreline_phantoms.vessel import VesselContent


def test_frames_do_not_depend_on_how_they_are_asked_for() -> None:
    scene = scenes.get("everything").with_(frames=36, size=160)
    whole = np.stack(list(scene.frames()))
    for start, stop in ((0, 1), (17, 19), (31, 34)):
        part = np.stack(list(scene.frames(start, stop)))
        assert np.abs(part.astype(int) - whole[start:stop]).max() <= 1


def test_seed_changes_the_picture() -> None:
    scene = scenes.get("vessel").with_(frames=2, size=128)
    a, b = (next(iter(scene.with_(seed=seed).frames())).astype(int) for seed in (1, 2))
    assert np.abs(a - b).mean() > 10


@pytest.mark.parametrize("name", [n for n, s in scenes.catalogue().items() if "exact" not in s.tags])
def test_every_scene_draws(name: str) -> None:
    scene = scenes.get(name).with_(frames=8, size=96)
    frame = next(iter(scene.frames(3, 4)))
    assert frame.shape == (scene.picture.rows, scene.picture.columns)
    assert frame.dtype == np.uint8
    assert frame.std() > 10
    assert frame[0, 0] == 0, "corners lie outside the field"


def _changes(blood: Blood) -> tuple[float, float]:
    """Correlation of neighbouring frames in the lumen and in the wall."""
    base = scenes.get("healthy").with_(frames=30, size=384)
    assert isinstance(base.content, VesselContent)
    physics = replace(base.content.physics, blood=blood, wire=False)
    motion = replace(base.content.motion, in_plane_mm=0.0, pulsation=0.0, axial_mm=0.0, turn_sd_deg=0.0)
    scene = replace(base, content=replace(base.content, physics=physics, motion=replace(motion, turn_deg_per_mm=0.0)))
    a, b = (frame.astype(float) for frame in scene.frames(10, 12))
    truth = scene.truth()
    y, x = np.mgrid[: a.shape[0], : a.shape[1]]
    far = np.hypot(*(np.stack([x, y], -1) - scene.picture.centre_px).transpose(2, 0, 1)) * scene.picture.mm_per_px[0]
    lumen = polygon2mask(a.shape, truth.contours[Structure.LUMEN].polygon(10)[:, ::-1])
    eem = polygon2mask(a.shape, truth.contours[Structure.EEM].polygon(10)[:, ::-1])
    # Away from the wall, whose echoes begin half a pulse before it.
    inner = distance_transform_edt(lumen) * scene.picture.mm_per_px[0] > 0.15
    blood_area, wall = inner & (far > 0.9), ~eem & (far < 3.5)
    return float(np.corrcoef(a[blood_area], b[blood_area])[0, 1]), float(np.corrcoef(a[wall], b[wall])[0, 1])


def test_blood_changes_and_wall_stays() -> None:
    """Blood decorrelates between frames while wall at 0.033 mm per frame hardly does (trade knowledge)."""
    independent, wall = _changes(Blood.INDEPENDENT)
    moving, _ = _changes(Blood.MOVING)
    frozen, _ = _changes(Blood.FROZEN)
    assert independent < 0.35
    assert wall > 0.9
    assert independent < moving < frozen
    assert frozen > 0.85


def _contrast_db(mhz: float) -> float:
    base = scenes.get("healthy").with_(frames=4, size=384, mhz=mhz)
    assert isinstance(base.content, VesselContent)
    physics = replace(
        base.content.physics,
        range_db=90.0,
        noise_db=-90.0,
        variation_db=0.0,
        ring_db=-60.0,
        wire=False,
        gain_drift_db=0.0,
    )
    scene = replace(base, content=replace(base.content, physics=physics))
    frame = next(iter(scene.frames())).astype(float) / 255 * 90
    truth = scene.truth()
    y, x = np.mgrid[: frame.shape[0], : frame.shape[1]]
    far = np.hypot(*(np.stack([x, y], -1) - scene.picture.centre_px).transpose(2, 0, 1)) * scene.picture.mm_per_px[0]
    lumen = polygon2mask(frame.shape, truth.contours[Structure.LUMEN].polygon(0)[:, ::-1])
    eem = polygon2mask(frame.shape, truth.contours[Structure.EEM].polygon(0)[:, ::-1])
    ring = ~eem & (far < truth.columns["eem_max_diameter_mm"][0] / 2 + 0.5)
    return float(np.median(frame[ring]) - np.median(frame[lumen & (far > 0.8)]))


def test_contrast_of_wall_and_blood_falls_with_frequency() -> None:
    contrasts = [_contrast_db(mhz) for mhz in (20.0, 40.0, 60.0)]
    assert contrasts[0] > contrasts[1] + 4 > contrasts[2] + 6


def test_tuning_and_reporting_do_not_meet() -> None:
    assert not set(TUNING_SEEDS) & set(REPORTING_SEEDS)
    assert not set(TUNING_RANDOM) & set(REPORTING_RANDOM)
    assert not set(SPARE_RANDOM) & (set(TUNING_RANDOM) | set(REPORTING_RANDOM))

    def key(scene: Scene) -> tuple[str, int]:
        return scene.name, scene.seed

    assert not {key(s) for s in tuning()} & {key(s) for s in reporting()}
    assert {difficulty(s) for s in reporting()} == {"typical", "hard", "very-hard"}


def test_settings_out_of_range_are_refused() -> None:
    scene = scenes.get("vessel")
    for setting in ({"frames": 0}, {"size": 8}, {"mhz": 500.0}, {"seed": -1}):
        with pytest.raises(InputRefused, match="out of range"):
            scene.with_(**setting)
    with pytest.raises(InputRefused, match="no scene 'nowhere'"):
        scenes.get("nowhere")
    with pytest.raises(InputRefused, match="no scene"):
        scenes.get("random:-1")


def test_size_keeps_the_field_of_view() -> None:
    scene = scenes.get("vessel")
    small = scene.with_(size=256)
    assert small.picture.field_mm == scene.picture.field_mm
    areas = [s.with_(frames=3).truth().columns["lumen_area_mm2"] for s in (scene, small)]
    assert np.allclose(*areas)
