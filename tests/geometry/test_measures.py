"""Areas, centres, perimeters and diameters against analytic shapes and two general-purpose libraries."""

import time

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import L_SHAPE, U_SHAPE, calibration, ellipse_px, wavy_px
from skimage.draw import ellipse as draw_ellipse
from skimage.measure import label, regionprops

from boreline.geometry import (
    area_derived_diameter_mm,
    contour_areas_mm2,
    contour_centroids_px,
    contour_diameters_mm,
    contour_perimeters_mm,
    difference_over_max,
    mask_polygon_px,
    max_over_min,
    mean_diameter_mm,
    min_over_max,
    polygon_area_mm2,
    polygon_centroid_px,
    polygon_diameters_mm,
    polygon_perimeter_mm,
    polygon_radii_mm,
    shape_index,
)
from boreline.model import Contours, Structure

SQUARE_MM = calibration(1.0, 1.0)


@pytest.mark.parametrize("pixels", [(0.02, 0.02), (0.01, 0.013), (0.04, 0.03)])
@pytest.mark.parametrize("tilt_deg", [0.0, 31.0])
def test_ellipse_in_any_pixels(pixels, tilt_deg):
    c = calibration(*pixels)
    polygon = ellipse_px(2.0, 1.5, c, tilt_deg=tilt_deg, n=2048)
    assert polygon_area_mm2(polygon, c) == pytest.approx(np.pi * 3.0, rel=2e-6)
    assert polygon_centroid_px(polygon) == pytest.approx([250.0, 240.0], abs=1e-9)
    assert polygon_diameters_mm(polygon, c) == pytest.approx((3.0, 4.0), rel=1e-5)
    # Ramanujan's second approximation of an ellipse's perimeter, good to 1e-9 here.
    h = (0.5 / 3.5) ** 2
    perimeter = np.pi * 3.5 * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    assert polygon_perimeter_mm(polygon, c) == pytest.approx(perimeter, rel=2e-6)


@pytest.mark.parametrize(("vertices", "loss_pct"), [(24, 1.14), (36, 0.51), (72, 0.13), (360, 0.005)])
def test_an_inscribed_polygon_under_reads_a_circle(vertices, loss_pct):
    """Closed form: 1 - sin(2 pi / n) n / (2 pi)."""
    area = polygon_area_mm2(ellipse_px(2.0, 2.0, SQUARE_MM, n=vertices), SQUARE_MM)
    assert 100 * (1 - area / (4 * np.pi)) == pytest.approx(loss_pct, abs=0.005)


def test_diameters_run_through_the_centre_of_mass_and_not_through_the_catheter():
    """Circle r 2.0 mm, catheter 1.0 mm off centre: 4.00 and 4.00; through the catheter it would be 3.46 and 4.00."""
    polygon = ellipse_px(2.0, 2.0, calibration(), n=1024)
    assert polygon_diameters_mm(polygon, calibration()) == pytest.approx((4.0, 4.0), abs=1e-4)
    radii = polygon_radii_mm(polygon, calibration(), (300.0, 240.0))
    chords = radii + np.roll(radii, 180)
    assert (chords.min(), chords.max()) == pytest.approx((2 * np.sqrt(3.0), 4.0), abs=1e-3)


@pytest.mark.parametrize(("tilt_deg", "excess_pct"), [(10, 1.5), (20, 6.4), (30, 15.5)])
def test_an_oblique_cut_enlarges_the_area_by_one_over_the_cosine(tilt_deg, excess_pct):
    cut = ellipse_px(2.0 / np.cos(np.radians(tilt_deg)), 2.0, SQUARE_MM, n=2048)
    excess = 100 * (polygon_area_mm2(cut, SQUARE_MM) / (4 * np.pi) - 1)
    assert excess == pytest.approx(excess_pct, abs=0.05)


def test_concave_shapes():
    assert polygon_area_mm2(L_SHAPE, SQUARE_MM) == 27.0
    assert polygon_centroid_px(L_SHAPE) == pytest.approx([2.5, 2.5])
    # Shortest from the left edge to the inner edge y = 3: 0.5 / sin t + 2.5 / cos t, the ladder problem of calculus.
    # Longest from the corner (6, 0) to the left edge.
    expected = (0.5 ** (2 / 3) + 2.5 ** (2 / 3)) ** 1.5, 6 * np.hypot(3.5, 2.5) / 3.5
    assert polygon_diameters_mm(L_SHAPE, SQUARE_MM) == pytest.approx(expected, rel=1e-9)
    assert polygon_area_mm2(U_SHAPE, SQUARE_MM) == 22.0
    assert np.isnan(polygon_diameters_mm(U_SHAPE, SQUARE_MM)).all()  # centre of mass outside the shape


def _chords_with_shapely(polygon, n_angles):
    """Reference: the piece of a long line that contains the centre of mass, by shapely's intersection."""
    shape = shapely.Polygon(polygon)
    centre = np.array(shape.centroid.coords[0])
    lengths = []
    for angle in np.pi * np.arange(n_angles) / n_angles:
        d = 1e3 * np.array([np.cos(angle), np.sin(angle)])
        cut = shapely.intersection(shape, shapely.LineString([centre - d, centre + d]))
        pieces = list(cut.geoms) if hasattr(cut, "geoms") else [cut]
        lengths.append(min(pieces, key=lambda piece: piece.distance(shapely.Point(centre))).length)
    return np.array(lengths)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(12, 90))
def test_wavy_contours_against_shapely(seed, n):
    c = calibration(0.02, 0.027)
    polygon = wavy_px(c, np.random.default_rng(seed), n=n)
    mm = polygon * c.mm_per_px
    shape = shapely.Polygon(mm)
    assert polygon_area_mm2(polygon, c) == pytest.approx(shape.area, rel=1e-9)
    assert polygon_perimeter_mm(polygon, c) == pytest.approx(shape.length, rel=1e-9)
    centre = np.array(shape.centroid.coords[0])
    assert polygon_centroid_px(polygon) * c.mm_per_px == pytest.approx(centre, abs=1e-9)
    if not shape.contains(shapely.Point(centre)):
        return
    chords = _chords_with_shapely(mm, 360)
    shortest, longest = polygon_diameters_mm(polygon, c)
    # The exact extremes lie beyond the sampled ones, by no more than half a degree can hide.
    assert shortest <= chords.min() + 1e-9
    assert longest >= chords.max() - 1e-9
    assert shortest == pytest.approx(chords.min(), rel=0.02)
    assert longest == pytest.approx(chords.max(), rel=0.02)


def test_all_frames_at_once_equal_one_polygon_at_a_time():
    c = calibration(0.02, 0.03)
    rng = np.random.default_rng(5)
    polygons = [wavy_px(c, rng, n=n) for n in (40, 256, 7)] + [np.empty((0, 2)), np.array([[1.0, 1], [2, 2]])]
    contours = Contours.from_polygons(Structure.LUMEN, polygons)
    areas, perimeters = contour_areas_mm2(contours, c), contour_perimeters_mm(contours, c)
    shortest, longest = contour_diameters_mm(contours, c)
    for frame in range(3):
        polygon = contours.polygon(frame)
        assert areas[frame] == pytest.approx(polygon_area_mm2(polygon, c), rel=1e-12)
        assert perimeters[frame] == pytest.approx(polygon_perimeter_mm(polygon, c), rel=1e-12)
        assert contour_centroids_px(contours)[frame] == pytest.approx(polygon_centroid_px(polygon), rel=1e-12)
        assert (shortest[frame], longest[frame]) == pytest.approx(polygon_diameters_mm(polygon, c), rel=1e-9)
    for values in (areas, perimeters, shortest, longest):
        assert np.isnan(values[3:]).all()


def test_the_first_vertex_and_the_sense_of_rotation_do_not_matter():
    c = calibration()
    polygon = wavy_px(c, np.random.default_rng(8))
    for same in (polygon[::-1], np.roll(polygon, 31, axis=0)):
        assert polygon_area_mm2(same, c) == pytest.approx(polygon_area_mm2(polygon, c), rel=1e-12)
        assert polygon_diameters_mm(same, c) == pytest.approx(polygon_diameters_mm(polygon, c), rel=1e-9)


def test_ellipse_against_scikit_image_regionprops():
    """scikit-image regionprops counts the pixels of the same drawn ellipse; its axes are those of the moments."""
    image = np.zeros((400, 400), dtype=np.uint8)
    rows, columns = draw_ellipse(200, 190, 90, 130, rotation=0.4)
    image[rows, columns] = 1
    props = regionprops(label(image))[0]
    polygon = mask_polygon_px(image > 0)
    assert polygon_area_mm2(polygon, SQUARE_MM) == pytest.approx(props.area, rel=2e-3)
    assert polygon_centroid_px(polygon)[::-1] == pytest.approx(props.centroid, abs=0.02)
    shortest, longest = polygon_diameters_mm(polygon, SQUARE_MM)
    assert shortest == pytest.approx(props.axis_minor_length, rel=0.01)
    assert longest == pytest.approx(props.axis_major_length, rel=0.01)
    assert area_derived_diameter_mm(polygon_area_mm2(polygon, SQUARE_MM)) == pytest.approx(
        props.equivalent_diameter_area, rel=1e-3
    )


def test_derived_figures_of_an_ellipse_4_by_3():
    """Mean of the diameters 3.500 versus area-derived 3.464 (both formulas are in use)."""
    assert mean_diameter_mm(3.0, 4.0) == 3.5
    assert area_derived_diameter_mm(np.pi * 3.0) == pytest.approx(3.464, abs=5e-4)
    assert difference_over_max(3.0, 4.0) == 0.25
    assert min_over_max(3.0, 4.0) == 0.75
    assert max_over_min(3.0, 4.0) == pytest.approx(4 / 3)
    assert shape_index(np.pi * 4.0, 2 * np.pi * 2.0) == pytest.approx(1.0)
    assert shape_index(1.0, 4.0) == pytest.approx(np.pi / 4)


def test_three_thousand_contours_take_well_under_a_second():
    c = calibration()
    polygons = [wavy_px(c, np.random.default_rng(9), n=256)] * 3000
    contours = Contours.from_polygons(Structure.LUMEN, polygons)
    contour_diameters_mm(contours, c)  # compiled by now
    start = time.process_time()
    contour_areas_mm2(contours, c)
    contour_diameters_mm(contours, c)
    contour_perimeters_mm(contours, c)
    assert time.process_time() - start < 1.0
