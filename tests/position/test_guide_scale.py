"""The scale from a guide catheter of known size: 1 French = 1/3 mm."""

from __future__ import annotations

import numpy as np
import pytest

from boreline.errors import InputRefused
from boreline.position.guide_scale import mm_per_px_from_guide
from boreline_phantoms.xray_drawing import cine_frames
from boreline_phantoms.xray_scenes import xray_scene


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, 90.0])
def test_six_french_eight_pixels_wide_is_a_quarter_millimetre_per_pixel(angle_deg: float) -> None:
    rows, columns = np.mgrid[:120, :120]
    turn = np.radians(angle_deg)
    across = (columns - 60) * np.cos(turn) + (rows - 60) * np.sin(turn)
    band = 200 - 60 / (1 + np.exp((np.abs(across) - 4.0) / 0.4)) + np.random.default_rng(1).normal(0, 2, (120, 120))
    assert mm_per_px_from_guide(band, (61.0, 59.0), 6.0) == pytest.approx(0.25, rel=0.05)


def test_the_guide_of_a_scene_gives_its_scale() -> None:
    scene = xray_scene("easy", 1)
    frame = next(cine_frames(scene, scene.cine, 0, 1))
    x, y = scene.curve_px(np.array([-6.0]), float(scene.cine.times_s[0]), scene.cine)[0]
    found = mm_per_px_from_guide(frame, (float(x), float(y)), scene.guide_french)
    assert found == pytest.approx(scene.cine.view.mm_per_px, rel=0.12)


def test_no_band_and_no_guide_are_refused() -> None:
    blank = 200 + np.random.default_rng(2).normal(0, 2, (120, 120))
    with pytest.raises(InputRefused, match="no guide catheter is seen"):
        mm_per_px_from_guide(blank, (60.0, 60.0), 6.0)
    with pytest.raises(InputRefused, match="30 French is no guide"):
        mm_per_px_from_guide(blank, (60.0, 60.0), 30.0)
