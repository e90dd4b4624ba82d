"""Overlap and distance of contours, against shapely, scipy and shapes that can be worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import directed_hausdorff

from boreline.geometry.overlap import polygon_overlap
from boreline.model import Calibration, CalibrationOrigin, FloatArray

UNIT = Calibration(1.0, 1.0, CalibrationOrigin.OPERATOR, "test")


def circle(radius: float, x: float = 0.0, y: float = 0.0, n: int = 720) -> FloatArray:
    angle = np.arange(n) * 2 * np.pi / n
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def star(seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    angle = np.arange(40) * 2 * np.pi / 40
    radius = rng.uniform(0.6, 2.0, 40)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) + rng.uniform(-0.5, 0.5, 2)


def test_concentric_circles_by_hand() -> None:
    """(1.9 / 2)^2 = 0.9025; the borders are 0.1 apart everywhere."""
    result = polygon_overlap(circle(1.9), circle(2.0), UNIT)
    assert result.jaccard == pytest.approx(0.9025, abs=2e-4)
    assert result.dice == pytest.approx(0.94875, abs=2e-4)
    assert result.hausdorff_mm == pytest.approx(0.1, abs=1e-3)
    assert result.area_difference_pct == pytest.approx(-9.75, abs=0.01)


def test_shifted_circles_fool_the_area_difference_alone() -> None:
    """Two circles of radius 2 at a distance of 0.5: Jaccard 0.72601 from the lens area formula."""
    result = polygon_overlap(circle(2.0), circle(2.0, x=0.5), UNIT)
    assert result.jaccard == pytest.approx(0.72601, abs=2e-4)
    assert result.dice == pytest.approx(0.84126, abs=2e-4)
    assert result.hausdorff_mm == pytest.approx(0.5, abs=1e-3)
    assert result.area_difference_pct == pytest.approx(0.0, abs=1e-6)


def test_pixels_that_are_not_square_are_scaled_per_axis() -> None:
    calibration = Calibration(0.02, 0.026, CalibrationOrigin.OPERATOR, "test")
    scale = calibration.mm_per_px
    result = polygon_overlap(circle(1.9) / scale, circle(2.0, y=0.05) / scale, calibration)
    same = polygon_overlap(circle(1.9), circle(2.0, y=0.05), UNIT)
    assert result.jaccard == pytest.approx(same.jaccard, abs=1e-6)
    assert result.hausdorff_mm == pytest.approx(same.hausdorff_mm, abs=1e-6)


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_ragged_shapes_agree_with_shapely(first_seed: int, second_seed: int) -> None:
    """Reference library: shapely (areas, hausdorff_distance over dense borders)."""
    first, second = star(first_seed), star(second_seed)
    a, b = shapely.Polygon(first), shapely.Polygon(second)
    result = polygon_overlap(first, second, UNIT)
    assert result.jaccard == pytest.approx(a.intersection(b).area / a.union(b).area, abs=2e-3)
    dense = [shapely.segmentize(shape.exterior, 0.04) for shape in (a, b)]
    assert result.hausdorff_mm == pytest.approx(shapely.hausdorff_distance(*dense), abs=0.05)


def test_distance_agrees_with_scipy_on_dense_borders() -> None:
    """Reference library: scipy.spatial.distance.directed_hausdorff."""
    first, second = circle(2.0, n=360), circle(1.6, x=0.2, n=3600)
    expected = max(directed_hausdorff(first, second)[0], directed_hausdorff(second, first)[0])
    assert polygon_overlap(first, second, UNIT).hausdorff_mm == pytest.approx(expected, abs=2e-3)
