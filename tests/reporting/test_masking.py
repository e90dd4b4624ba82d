"""What pictures of the ultrasound hide: text drawn into the cross-section itself, also after a JPEG encoder."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from result_folders import phantom_run

from boreline.model import Calibration, GreyImage, Region
from boreline.reading import read_run
from boreline.reporting.masking import hidden_pixels

N_CROPS = 12


@pytest.fixture(scope="module")
def run_crops(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[GreyImage], Region, Calibration]:
    run = read_run(phantom_run(tmp_path_factory.mktemp("masking") / "phantom", "vessel", frames=60, size=384))
    region = run.region
    crops = [f.grey[region.y0 : region.y1 + 1, region.x0 : region.x1 + 1] for f in run.frames() if f.grey is not None]
    return crops[:: len(crops) // N_CROPS], region, run.calibration


@pytest.mark.parametrize("grey", [255, 200, 160])
@pytest.mark.parametrize("quality", [None, 90, 75])
def test_thin_text_inside_the_picture_is_hidden(
    run_crops: tuple[list[GreyImage], Region, Calibration], quality: int | None, grey: int
) -> None:
    """Strokes one pixel wide; OpenCV draws the letters (older releases thinner ones) and encodes the frames."""
    crops, region, calibration = run_crops
    letters = np.zeros(crops[0].shape, dtype=np.uint8)
    for size, y in ((0.35, 90), (0.5, 130)):
        cv2.putText(letters, "OTTOKAR Z", (80, y), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 1)
    drawn = letters > 0
    assert drawn.sum() > 300
    written = [np.where(drawn, grey, crop).astype(np.uint8) for crop in crops]
    if quality is not None:
        written = [_through_jpeg(crop, quality) for crop in written]
    hidden = hidden_pixels(written, region, calibration)
    assert (drawn & ~hidden).sum() <= (0 if quality is None else 0.01 * drawn.sum())
    field = hidden_pixels((), region, calibration)
    assert (hidden & ~field).mean() < 0.15, "the picture itself is still shown"


def test_a_picture_without_text_stays_as_it_is(run_crops: tuple[list[GreyImage], Region, Calibration]) -> None:
    crops, region, calibration = run_crops
    field = hidden_pixels((), region, calibration)
    assert 0.2 < field.mean() < 0.23  # a square without its inscribed circle: 1 - pi / 4
    assert (hidden_pixels(crops, region, calibration) & ~field).sum() == 0


def test_a_bright_patch_wider_than_a_stroke_is_hidden(
    run_crops: tuple[list[GreyImage], Region, Calibration],
) -> None:
    crops, region, calibration = run_crops
    written = [crop.copy() for crop in crops]
    for crop in written:
        crop[100:140, 60:120] = 230
    assert hidden_pixels(written, region, calibration)[100:140, 60:120].all()


def _through_jpeg(crop: GreyImage, quality: int) -> GreyImage:
    packed = cv2.imencode(".jpg", crop, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
