"""Overlap and distances of shapes that can be worked by hand, and the parts behind them one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapes import U_SHAPE

from boreline.geometry.overlap import DENSE_VERTICES, _crossings, _dense, _distances_mm, _scan, polygon_overlap
from boreline.model import Calibration, CalibrationOrigin, FloatArray

UNIT = Calibration(1.0, 1.0, CalibrationOrigin.OPERATOR, "test")
SQUARE = np.array([[0.0, 0], [90, 0], [90, 90], [0, 90]])
"""A border of 360: its dense points lie one apart."""


def rectangle(width: float, height: float, x: float = 0.0, y: float = 0.0) -> FloatArray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def test_crossed_rectangles_by_hand() -> None:
    """4 by 2 and 2 by 3 share 2 by 1: 2 / (8 + 6 - 2); the upper end stands 2 apart."""
    first, second = rectangle(4.0, 2.0), rectangle(2.0, 3.0, x=1.0, y=1.0)
    for polygons in ((first, second), (second, first), (first[::-1], second), (first, np.roll(second, 2, axis=0))):
        result = polygon_overlap(*polygons, UNIT)
        assert result.jaccard == pytest.approx(2 / 12)
        assert result.dice == pytest.approx(4 / 14)
        assert result.hausdorff_mm == pytest.approx(2.0)


def test_the_difference_of_areas_is_signed_and_against_the_second() -> None:
    small, large = rectangle(2.0, 4.0, x=1.0), rectangle(5.0, 4.0)
    assert polygon_overlap(small, large, UNIT).area_difference_pct == pytest.approx(-60.0)
    assert polygon_overlap(large, small, UNIT).area_difference_pct == pytest.approx(150.0)
    assert polygon_overlap(small, large, UNIT).jaccard == pytest.approx(0.4)
    assert polygon_overlap(small, small + 8.0, UNIT).jaccard == 0.0


def test_a_fold_counts_only_where_both_fill_it() -> None:
    """The U (area 22) and the block in its gap (2 by 4, y from 1 to 5) share nothing; with the whole box 22 of 30."""
    assert polygon_overlap(U_SHAPE, rectangle(2.0, 4.0, x=2.0, y=1.0), UNIT).jaccard == pytest.approx(0.0, abs=1e-12)
    assert polygon_overlap(U_SHAPE, rectangle(6.0, 5.0), UNIT).jaccard == pytest.approx(22 / 30, rel=1e-3)
    legs = polygon_overlap(U_SHAPE, rectangle(6.0, 2.0, y=3.0), UNIT)  # 2 by 2 twice, of 22 + 12 - 8
    assert legs.jaccard == pytest.approx(8 / 26, rel=1e-3)


def test_the_95th_percentile_is_the_larger_of_both_directions() -> None:
    """Against shapely's distances from points that shapely sets at equal steps along each border."""
    first = np.array([[0.0, 0], [4, 0], [4, 3], [2.2, 3], [2.0, 6], [1.8, 3], [0, 3]])  # a box with a spike
    second = rectangle(4.4, 3.0)
    borders = [shapely.Polygon(polygon).exterior for polygon in (first, second)]
    percentiles, largest = [], []
    for own, other in (borders, borders[::-1]):
        steps = own.length * np.arange(DENSE_VERTICES) / DENSE_VERTICES
        distances = shapely.distance(shapely.line_interpolate_point(own, steps), other)
        percentiles.append(np.percentile(distances, 95))
        largest.append(distances.max())
    assert percentiles[0] > 2 * percentiles[1]
    for polygons in ((first, second), (second, first)):
        result = polygon_overlap(*polygons, UNIT)
        assert result.hausdorff95_mm == pytest.approx(max(percentiles), rel=1e-9)
        assert result.hausdorff_mm == pytest.approx(max(largest), rel=1e-9)


def test_dense_points_start_at_the_first_vertex_and_keep_one_step() -> None:
    points = _dense(SQUARE)
    assert points.shape == (360, 2)
    assert points[[0, 1, 90, 135, 359]] == pytest.approx(np.array([[0, 0], [1, 0], [90, 0], [90, 45], [0, 1]]))


def test_crossings_of_a_line_in_order() -> None:
    out = np.empty(len(U_SHAPE))
    assert _crossings(U_SHAPE, 3.0, out) == 4
    assert out[:4].tolist() == [0.0, 2.0, 4.0, 6.0]
    assert _crossings(U_SHAPE, 1.0, out) == 4  # a line along an edge belongs to the side above it
    assert _crossings(U_SHAPE, 0.5, out) == 2
    assert out[:2].tolist() == [0.0, 6.0]
    assert _crossings(U_SHAPE, 5.0, out) == 0
    assert _crossings(U_SHAPE, -0.5, out) == 0
    slanted = np.array([[0.0, 0], [8, 4], [0, 4]])
    assert _crossings(slanted, 1.0, out) == 2
    assert out[:2].tolist() == [0.0, 2.0]


def test_scan_lines_add_up_lengths() -> None:
    """Three lines at y = 0.5, 1.5, 2.5 over the U and a box from x = 1 to 5: 6 + 4 + 4, 4 each, 4 + 2 + 2 shared."""
    assert _scan(U_SHAPE, rectangle(4.0, 5.0, x=1.0), 0.5, 1.0, 3).tolist() == [14.0, 12.0, 8.0]
    assert _scan(rectangle(4.0, 5.0, x=1.0), U_SHAPE, 1.5, 2.0, 2).tolist() == [8.0, 8.0, 4.0]


def test_distances_to_a_border_against_shapely() -> None:
    border = np.array([[0.0, 0], [5, 1], [5, 1], [3, 4], [1, 3]])  # one vertex twice
    points = np.random.default_rng(0).uniform(-4, 8, (200, 2))
    expected = shapely.distance(shapely.points(points), shapely.Polygon(border).exterior)
    assert _distances_mm(points, border) == pytest.approx(expected, abs=1e-12)
    assert _distances_mm(np.array([[45.0, -7.0], [-3.0, -4.0], [95.0, 102.0], [40.0, 45.0]]), SQUARE).tolist() == [
        7.0,
        5.0,
        13.0,
        40.0,
    ]
