"""Circles of known area (formula): mean absolute error at most 0.5 %, worst at most 1.5 %; no EEM is made up."""

import numpy as np
import pytest

from boreline.geometry import contour_areas_mm2
from boreline.model import Structure
from boreline.reading import read_run
from boreline.segmentation.protocol import load_segmenter
from boreline_phantoms import write_scene
from boreline_phantoms.scenes import circle

GRID = [  # diameter, off-centre share of the radius, mm per pixel, height of a pixel over its width
    (1.5, 0.0, 0.01, 1.0),
    (1.5, 0.35, 0.02, 1.3),
    (2.0, 0.2, 0.04, 1.3),
    (2.0, 0.35, 0.02, 1.0),
    (3.0, 0.0, 0.02, 1.3),
    (3.0, 0.35, 0.01, 1.0),
    (4.0, 0.2, 0.04, 1.0),
    (4.0, 0.35, 0.02, 1.3),
    (5.0, 0.0, 0.02, 1.0),
    (5.0, 0.35, 0.04, 1.3),
]


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    errors, eems = {}, 0
    for number, (diameter, off, mm, aspect) in enumerate(GRID):
        folder = tmp_path_factory.mktemp("circle") / str(number)
        scene = circle(diameter, off_centre=off, mm_per_px=mm, aspect=aspect).with_(frames=4)
        write_scene(scene, folder, encoding="explicit")
        run = read_run(folder / "run.dcm")
        found = load_segmenter().segment(run)
        area = contour_areas_mm2(found.contours[Structure.LUMEN], run.calibration)
        errors[diameter, off, mm, aspect] = 100 * (area / (np.pi * diameter**2 / 4) - 1)
        eems += int(found.contours[Structure.EEM].present.sum())
    return errors, eems


def test_areas(measured):
    errors = np.abs(np.concatenate(list(measured[0].values())))
    assert errors.mean() <= 0.5
    assert errors.max() <= 1.5


def test_no_bias(measured):
    assert abs(np.mean(np.concatenate(list(measured[0].values())))) <= 0.3


def test_no_eem_without_one(measured):
    assert measured[1] == 0
