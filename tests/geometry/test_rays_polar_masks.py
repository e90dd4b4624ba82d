"""Radii, wall thickness, polar resampling, masks, self-crossing and resampling."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import L_SHAPE, U_SHAPE, calibration, ellipse_px, wavy_px

from boreline.errors import GeometryError
from boreline.geometry import (
    PolarGrid,
    contour_radii_mm,
    contours_are_simple,
    mask_polygon_px,
    polygon_area_mm2,
    polygon_mask,
    polygon_radii_mm,
    radii_polygon_px,
    require_simple_polygon,
    resample_polar,
    resample_polygon_px,
    wall_thickness_mm,
)
from boreline.model import Contours, Structure

SQUARE_MM = calibration(1.0, 1.0)


def test_radii_of_a_circle_about_another_point():
    """Chord theorem: r(t) = -d cos t + sqrt(R^2 - d^2 sin^2 t) for a centre d to the right of the circle's centre."""
    c = calibration(0.02, 0.026)
    polygon = ellipse_px(2.0, 2.0, c, n=4096)
    d = 0.7
    radii = polygon_radii_mm(polygon, c, (250.0 + d / 0.02, 240.0), 360)
    t = np.radians(np.arange(360))
    assert radii == pytest.approx(-d * np.cos(t) + np.sqrt(4 - (d * np.sin(t)) ** 2), abs=2e-6)


def test_radii_and_polygon_are_inverse():
    c = calibration(0.02, 0.03)
    radii = 2.0 + 0.5 * np.random.default_rng(1).random((4, 128))
    polygons = radii_polygon_px(radii, c, (100.0, 90.0))
    contours = Contours.from_polygons(Structure.EEM, list(polygons))
    assert contour_radii_mm(contours, c, np.array([100.0, 90.0]), 128) == pytest.approx(radii, abs=1e-4)
    assert polygon_radii_mm(polygons[0], c, (100.0, 90.0), 128) == pytest.approx(radii[0], abs=1e-9)


def test_a_ray_that_leaves_and_returns():
    # From (1, 4.5) in the left leg of the U, the ray to the right meets x = 2, 4 and 6.
    assert polygon_radii_mm(U_SHAPE, SQUARE_MM, (1.0, 4.5), 4)[0] == pytest.approx(5.0)
    assert polygon_radii_mm(U_SHAPE, SQUARE_MM, (1.0, 4.5), 4, outermost=False)[0] == pytest.approx(1.0)
    # From outside: nothing to the left.
    assert np.isnan(polygon_radii_mm(U_SHAPE, SQUARE_MM, (-1.0, 2.0), 4)[2])


def test_wall_thickness_from_the_centre_of_mass_of_the_lumen():
    c = calibration(0.02, 0.026)
    lumen, eem = ellipse_px(1.5, 1.5, c, n=1024), ellipse_px(2.5, 2.5, c, centre_px=(260.0, 240.0), n=1024)
    none = np.empty((0, 2))
    lumens = Contours.from_polygons(Structure.LUMEN, [lumen, lumen, none])
    eems = Contours.from_polygons(Structure.EEM, [eem, none, eem])
    thinnest, thickest = wall_thickness_mm(lumens, eems, c)
    # Centres 0.2 mm apart: 2.5 - 0.2 - 1.5 and 2.5 + 0.2 - 1.5.
    assert (thinnest[0], thickest[0]) == pytest.approx((0.8, 1.2), abs=1e-4)
    assert np.isnan([*thinnest[1:], *thickest[1:]]).all()


def test_wall_thickness_counts_wall_only_where_the_lumen_folds():
    """The lumen's U, seen from its centre of mass in the gap: 1 mm of wall on each side of it are within the EEM."""
    eem = np.array([[-1.0, -1], [7, -1], [7, 6], [-1, 6]])
    _, thickest = wall_thickness_mm(
        Contours.from_polygons(Structure.LUMEN, [U_SHAPE]), Contours.from_polygons(Structure.EEM, [eem]), SQUARE_MM, 4
    )
    # Rays: right 1 (gap) + 1; down from y = 2.32 to 1 (gap), then 1 below; up to 6: all wall, 6 - 51/22.
    assert thickest[0] == pytest.approx(6 - 51 / 22)


@pytest.mark.parametrize("pixels", [(0.02, 0.02), (0.02, 0.026)])
def test_polar_resampling_reads_the_right_place(pixels):
    """Bilinear sampling reproduces an image that is linear in x and y exactly; places are rounded to 1/32 pixel."""
    c = calibration(*pixels)
    rows, columns = np.mgrid[0:300, 0:320].astype(np.float32)
    grid = PolarGrid(c, (150.37, 148.81), 256, 100, 0.02)
    maps = grid.maps()
    angles = 2 * np.pi * np.arange(256) / 256
    depth = 0.02 * np.arange(100)
    x = 150.37 + depth * np.cos(angles)[:, None] / pixels[0]
    y = 148.81 + depth * np.sin(angles)[:, None] / pixels[1]
    assert np.abs(resample_polar(columns, maps) - x).max() <= 1 / 64 + 1e-3
    assert np.abs(resample_polar(rows, maps) - y).max() <= 1 / 64 + 1e-3
    assert grid.sample_points_px()[10, 20] == pytest.approx([x[10, 20], y[10, 20]])


def test_samples_outside_the_picture_are_zero():
    polar = resample_polar(np.full((40, 40), 200, np.uint8), PolarGrid(SQUARE_MM, (20.0, 20.0), 16, 60, 1.0).maps())
    assert (polar[:, :18] == 200).all()
    assert (polar[:, 40:] == 0).all()


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_pixel_is_inside_when_its_centre_is_inside(seed):
    """Reference: shapely's contains on every pixel centre."""
    rng = np.random.default_rng(seed)
    polygon = wavy_px(SQUARE_MM, rng, n=40, r_mm=14.0, centre_px=(20.3, 19.1))
    rows, columns = np.mgrid[0:40, 0:44]
    expected = shapely.contains_xy(shapely.Polygon(polygon), columns.astype(float), rows.astype(float))
    assert np.array_equal(polygon_mask(polygon, (40, 44)), expected)


def test_mask_of_a_concave_polygon_and_back():
    mask = polygon_mask(L_SHAPE * 5 + 10.5, (60, 60))
    assert mask.sum() == 27 * 25
    assert np.array_equal(polygon_mask(mask_polygon_px(mask), mask.shape), mask)
    assert len(mask_polygon_px(np.zeros((5, 5), dtype=bool))) == 0


def test_two_polygons_that_share_an_edge_share_no_pixel():
    left, right = np.array([[2.0, 2], [8, 2], [8, 9], [2, 9]]), np.array([[8.0, 2], [14, 2], [14, 9], [8, 9]])
    a, b = polygon_mask(left, (20, 20)), polygon_mask(right, (20, 20))
    assert not (a & b).any()
    assert (a | b).sum() == 12 * 7


@settings(max_examples=60, deadline=None)
@given(points=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=3, max_size=9))
def test_self_crossing_against_shapely(points):
    """Reference: a ring is valid in the sense of the OGC Simple Features standard (shapely is_valid)."""
    polygon = np.array(points, dtype=float)
    shape = shapely.Polygon(polygon)
    consecutive = (polygon == np.roll(polygon, 1, axis=0)).all(axis=1).any()  # repeated vertices: ours refuses
    ours = contours_are_simple(Contours.from_polygons(Structure.LUMEN, [polygon]))[0]
    assert ours == (shape.is_valid and shape.area > 0 and not consecutive)


def test_what_is_no_contour_is_refused_with_the_reason():
    for bad, reason in (
        (np.array([[0.0, 0], [4, 4], [4, 0], [0, 4]]), "crosses itself"),
        (np.array([[0.0, 0], [1, 1]]), "three"),
        (np.array([[0.0, 0], [1, 1], [2, 2]]), "no area"),
        (np.array([[0.0, 0], [1, np.nan], [2, 0]]), "finite"),
    ):
        with pytest.raises(GeometryError, match=reason):
            require_simple_polygon(bad, "the lumen")
    assert np.array_equal(require_simple_polygon(L_SHAPE), L_SHAPE)


def test_resampling_keeps_place_and_area():
    c = calibration(0.02, 0.026)
    resampled = resample_polygon_px(ellipse_px(2.0, 1.5, c, n=1000), 200, c)
    assert resampled.shape == (200, 2)
    assert polygon_area_mm2(resampled, c) == pytest.approx(3 * np.pi, rel=3e-4)
    steps = np.hypot(*((np.roll(resampled, -1, axis=0) - resampled) * c.mm_per_px).T)
    assert steps == pytest.approx(steps.mean(), rel=1e-3)
