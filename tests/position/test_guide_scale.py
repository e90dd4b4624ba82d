"""The scale from a guide catheter of known size: 1 French = 1/3 mm."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from boreline.errors import InputRefused
from boreline.position.guide_scale import GUIDE_RELATIVE_SD, MM_PER_FRENCH, mm_per_px_from_guide
from boreline_phantoms.xray_drawing import cine_frames
from boreline_phantoms.xray_scenes import xray_scene


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, 90.0])
def test_six_french_eight_pixels_wide_is_a_quarter_millimetre_per_pixel(angle_deg: float) -> None:
    rows, columns = np.mgrid[:120, :120]
    turn = np.radians(angle_deg)
    across = (columns - 60) * np.cos(turn) + (rows - 60) * np.sin(turn)
    band = 200 - 60 / (1 + np.exp((np.abs(across) - 4.0) / 0.4)) + np.random.default_rng(1).normal(0, 2, (120, 120))
    assert mm_per_px_from_guide(band, (61.0, 59.0), 6.0) == pytest.approx(0.25, rel=0.05)


def tube(radius_px: float, bore: float, bore_darkness: float, blur_px: float) -> np.ndarray:
    """Shadow of a straight tube: chords through the wall, and through a bore of some share of the wall's darkness."""
    fine = (np.arange(1200) - 599.5) / 10

    def chord(radius: float) -> np.ndarray:
        return np.sqrt(np.clip(1 - (fine / radius) ** 2, 0, None))

    shadow = chord(radius_px) - (1 - bore_darkness) * bore * chord(bore * radius_px)
    seen = gaussian_filter1d(shadow / shadow.max(), blur_px * 10).reshape(120, 10).mean(axis=1)
    noise = np.random.default_rng(3).normal(0, 2, (120, 120))
    return np.tile(200 - 25 * seen, (120, 1)) + noise


def test_the_stated_uncertainty_holds_for_tubes() -> None:
    """Chords of a tube, by analysis; bores of 0.82 to 0.90 of the outer diameter are usual (from memory)."""
    off = np.array(
        [
            6 * MM_PER_FRENCH / mm_per_px_from_guide(tube(radius, bore, darkness, 1.0), (59.5, 60.0), 6.0) / 2 / radius
            for radius in (3.5, 4.6, 6.0)
            for bore in (0.82, 0.86, 0.90)
            for darkness in (0.0, 0.2, 0.4)
        ]
    )
    assert abs(off.mean() - 1) < 0.03
    assert np.sqrt(np.mean((off - 1) ** 2)) <= GUIDE_RELATIVE_SD
    assert np.abs(off - 1).max() < 2.5 * GUIDE_RELATIVE_SD


def test_the_guides_of_scenes_give_their_scale_without_bias() -> None:
    ratios = []
    for seed in (1, 2):
        scene = xray_scene("middle", seed)
        frame = next(cine_frames(scene, scene.cine, 0, 1))
        for x, y in scene.curve_px(np.array([-4.0, -6.0, -9.0]), float(scene.cine.times_s[0]), scene.cine):
            found = mm_per_px_from_guide(frame, (float(x), float(y)), scene.guide_french)
            ratios.append(found / scene.cine.view.mm_per_px)
    assert np.mean(ratios) == pytest.approx(1, abs=0.02)
    assert np.std(ratios) < 0.04


def test_no_band_and_no_guide_are_refused() -> None:
    blank = 200 + np.random.default_rng(2).normal(0, 2, (120, 120))
    with pytest.raises(InputRefused, match="no guide catheter is seen"):
        mm_per_px_from_guide(blank, (60.0, 60.0), 6.0)
    with pytest.raises(InputRefused, match="30 French is no guide"):
        mm_per_px_from_guide(blank, (60.0, 60.0), 30.0)
