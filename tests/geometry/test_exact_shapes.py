"""Areas, chords, radii and masks of shapes whose figures can be written down; shapely where a search is involved."""

import numpy as np
import pytest
import shapely
from shapes import L_SHAPE, U_SHAPE, calibration, wavy_px

from boreline.geometry import (
    PolarGrid,
    contour_areas_mm2,
    contour_centroids_px,
    contour_diameters_mm,
    contour_perimeters_mm,
    contour_radii_mm,
    contours_are_simple,
    mask_polygon_px,
    polygon_area_mm2,
    polygon_centroid_px,
    polygon_diameters_mm,
    polygon_mask,
    polygon_perimeter_mm,
    polygon_radii_mm,
    radii_polygon_px,
    wall_thickness_mm,
)
from boreline.geometry.diameters import _edges, _visible_edges
from boreline.geometry.measures import moments, one
from boreline.model import Contours, Structure

MM = calibration(1.0, 1.0)
TRIANGLE = np.array([[10.0, 20], [16, 20], [10, 29]])


def rectangle(width, height, x=0.0, y=0.0):
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


# ------------------------------------------------------------------------------------------------ measures


def test_a_triangle_by_hand():
    """Half of base times height; the mean of the corners; Pythagoras."""
    assert moments(*one(TRIANGLE))[0] == pytest.approx([27.0, 12.0, 23.0])
    assert moments(*one(TRIANGLE[::-1]))[0] == pytest.approx([-27.0, 12.0, 23.0])
    c = calibration(0.5, 0.25)
    assert polygon_area_mm2(TRIANGLE, c) == pytest.approx(27 * 0.125)
    assert polygon_perimeter_mm(TRIANGLE, c) == pytest.approx(3 + 2.25 + np.hypot(3, 2.25))
    assert polygon_perimeter_mm(U_SHAPE, MM) == 6 + 5 + 2 + 4 + 2 + 4 + 2 + 5


def test_what_encloses_nothing_is_not_known():
    for flat in (np.empty((0, 2)), TRIANGLE[:1], TRIANGLE[:2]):
        assert np.isnan(moments(*one(flat))).all()
        assert np.isnan(polygon_perimeter_mm(flat, MM))
        assert np.isnan(polygon_diameters_mm(flat, MM)).all()
        assert np.isnan(polygon_radii_mm(flat, MM, (0.0, 0.0), 4)).all()
    line = np.array([[0.0, 0], [1, 1], [2, 2]])
    assert polygon_area_mm2(line, MM) == 0.0
    assert np.isnan(polygon_centroid_px(line)).all()
    assert np.isnan(polygon_diameters_mm(line, MM)).all()


def test_a_run_longer_than_what_is_taken_at_once():
    """501 frames of rectangles 1 by k, so that every frame has its own figures."""
    sizes = 1.0 + np.arange(501)
    contours = Contours.from_polygons(Structure.LUMEN, [rectangle(1.0, size, x=size, y=2.0) for size in sizes])
    assert contour_areas_mm2(contours, MM) == pytest.approx(sizes)
    assert contour_perimeters_mm(contours, MM) == pytest.approx(2 + 2 * sizes)
    assert contour_centroids_px(contours) == pytest.approx(np.column_stack([sizes + 0.5, 2 + sizes / 2]), rel=1e-6)
    assert contours_are_simple(contours).all()
    shortest, longest = contour_diameters_mm(contours, MM)
    assert (shortest[[0, 250, 500]], longest[[0, 250, 500]]) == (
        pytest.approx([1.0, 1.0, 1.0]),
        pytest.approx(np.hypot(1.0, sizes[[0, 250, 500]]), rel=1e-6),
    )
    radii = contour_radii_mm(contours, MM, np.column_stack([sizes + 0.5, 2 + sizes / 2]), 4)
    assert radii[:, 1] == pytest.approx(sizes / 2)
    assert radii[:, 2] == pytest.approx(np.full(501, 0.5))


def test_a_run_without_frames_has_no_figures():
    none = Contours.from_polygons(Structure.LUMEN, [])
    assert contour_areas_mm2(none, MM).shape == (0,)
    assert contour_centroids_px(none).shape == (0, 2)
    assert contours_are_simple(none).shape == (0,)
    assert contour_diameters_mm(none, MM)[0].shape == (0,)


# ----------------------------------------------------------------------------------------------- diameters


@pytest.mark.parametrize(("width", "height"), [(3.0, 4.0), (4.0, 3.0), (5.0, 12.0)])
@pytest.mark.parametrize("turn", range(4))
def test_a_rectangle_has_its_smaller_side_and_its_diagonal(width, height, turn):
    c = calibration(0.5, 0.25)
    polygon = np.roll(rectangle(width, height, x=40.0, y=30.0), turn, axis=0) / c.mm_per_px
    expected = min(width, height), np.hypot(width, height)
    assert polygon_diameters_mm(polygon, c) == pytest.approx(expected, rel=1e-9)
    assert polygon_diameters_mm(polygon[::-1], c) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("tilt", [0.0, 0.3, 1.0, 2.0])
def test_an_equilateral_triangle_has_two_thirds_of_its_side_and_its_median(tilt):
    angles = tilt + 2 * np.pi * np.arange(3) / 3
    polygon = 5 + np.column_stack([np.cos(angles), np.sin(angles)]) / np.sqrt(3)  # side 1
    assert polygon_diameters_mm(polygon, MM) == pytest.approx((2 / 3, np.sqrt(0.75)), rel=1e-9)


def test_diameters_of_ragged_shapes_against_shapely():
    """Reference: shapely's intersection with lines in 720 directions and close by every vertex."""
    for seed in range(6):
        polygon = wavy_px(MM, np.random.default_rng(seed), n=17, r_mm=3.0, amplitude=0.9)
        shape = shapely.Polygon(polygon)
        centre = np.array(shape.centroid.coords[0])
        assert shape.contains(shapely.Point(centre))
        vertices = np.arctan2(*(polygon - centre).T[::-1])  # the longest chord points to one of them
        angles = np.concatenate([np.pi * np.arange(720) / 720, vertices - 1e-9, vertices + 1e-9])
        reach = 50 * np.column_stack([np.cos(angles), np.sin(angles)])
        lines = shapely.linestrings(np.stack([centre - reach, centre + reach], axis=1))
        chords = []
        for cut in shapely.intersection(shape, lines):
            pieces = shapely.get_parts(cut)
            chords.append(pieces[np.argmin(shapely.distance(pieces, shapely.Point(centre)))].length)
        shortest, longest = polygon_diameters_mm(polygon, MM)
        assert longest == pytest.approx(max(chords), rel=1e-6)
        assert shortest == pytest.approx(min(chords), rel=2e-4)
        assert shortest <= min(chords) + 1e-9


def test_the_nearest_edge_along_each_ray():
    rays = np.radians([20.0, 70.0, 110.0, 160.0, 200.0, 250.0, 290.0, 340.0])

    def seen(polygon):
        x, y = polygon.T.copy()
        return _visible_edges(np.mod(np.arctan2(y, x), 2 * np.pi), rays, *_edges(x, y)).tolist()

    square = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])  # edges: below, right, above, left
    assert seen(square) == [1, 2, 2, 3, 3, 0, 0, 1]
    assert seen(square + 3.0) == [-1] * 8  # it lies between 27 and 63 degrees, and no ray does
    # An edge that points at the origin hides nothing, even where rounding lets it cover a ray.
    x, y, angle = np.array([1.0, 2.0, 2.0]), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1e-17, 0.5])
    assert _visible_edges(angle, np.array([0.0, 0.4]), *_edges(x, y)).tolist() == [2, 2]
    behind = np.array([[1.0, -1], [3, -1], [3, 1], [1, 1]])  # to the right: below, far, above, near
    assert seen(behind) == [3, -1, -1, -1, -1, -1, -1, 3]


# ------------------------------------------------------------------------------------------------ rays


def test_rays_of_a_square_through_its_vertices_and_edges():
    square = rectangle(4.0, 4.0)
    for polygon in (square, square[::-1]):
        radii = polygon_radii_mm(polygon, MM, (2.0, 2.0), 8)
        assert radii == pytest.approx([2, np.sqrt(8)] * 4)
        assert polygon_radii_mm(polygon, MM, (2.0, 2.0), 8, outermost=False) == pytest.approx(radii)
        # From outside, to the left of it and level with its middle: both faces on ray 0, nothing elsewhere.
        far = polygon_radii_mm(polygon, MM, (-3.0, 2.0), 8)
        near = polygon_radii_mm(polygon, MM, (-3.0, 2.0), 8, outermost=False)
        assert (near[0], far[0]) == pytest.approx((3.0, 7.0))
        assert np.isnan(far[1:]).all()
        assert np.isnan(near[1:]).all()
        # From a place on an edge: nothing can be said along the edge, the rest is seen.
        assert polygon_radii_mm(polygon, MM, (2.0, 0.0), 4)[1] == pytest.approx(4.0)


def test_pixels_that_are_not_square_and_a_centre_that_is_not_known():
    c = calibration(0.5, 2.0)
    square = rectangle(4.0, 4.0)  # 2 by 8 mm
    assert polygon_radii_mm(square, c, (2.0, 1.0), 4) == pytest.approx([1.0, 6.0, 1.0, 2.0])
    contours = Contours.from_polygons(Structure.LUMEN, [square] * 3)
    centres = np.array([[2.0, 1.0], [np.nan, 1.0], [2.0, np.nan]])
    radii = contour_radii_mm(contours, c, centres, 4)
    assert radii[0] == pytest.approx([1.0, 6.0, 1.0, 2.0])
    assert np.isnan(radii[1:]).all()
    assert contour_radii_mm(contours, c, centres[0]).shape == (3, 360)


def test_wall_of_rectangles_and_crossed_borders():
    """A lumen 2 by 4 in an EEM 8 by 6 about the same centre, along four rays: 3 to the sides, 1 up and down."""
    lumen, eem = rectangle(2.0, 4.0, x=3.0, y=1.0), rectangle(8.0, 6.0)
    for a, b in ((lumen, eem), (lumen[::-1], eem), (lumen, eem[::-1])):
        borders = (Contours.from_polygons(Structure.LUMEN, [a]), Contours.from_polygons(Structure.EEM, [b]))
        thinnest, thickest = wall_thickness_mm(*borders, MM, 4)
        assert (thinnest[0], thickest[0]) == pytest.approx((1.0, 3.0))
        crossed = wall_thickness_mm(*borders[::-1], MM, 4)
        assert (crossed[0][0], crossed[1][0]) == pytest.approx((-3.0, -1.0))
    # An EEM that the ray misses on one side holds no wall there, only the lumen that lies outside it.
    aside = Contours.from_polygons(Structure.EEM, [rectangle(4.0, 6.0, x=4.5)])
    thinnest, thickest = wall_thickness_mm(Contours.from_polygons(Structure.LUMEN, [lumen]), aside, MM, 4)
    assert (thinnest[0], thickest[0]) == pytest.approx((-2.0, 4.0 - 1.0))


def test_borders_much_smaller_than_a_pixel_and_either_way_round() -> None:
    tiny = rectangle(0.2, 0.4, x=0.3, y=0.1), rectangle(0.8, 0.6)
    for a, b in ((tiny[0], tiny[1]), (tiny[0][::-1], tiny[1][::-1])):
        borders = (Contours.from_polygons(Structure.LUMEN, [a]), Contours.from_polygons(Structure.EEM, [b]))
        thinnest, thickest = wall_thickness_mm(*borders, MM, 4)
        assert (thinnest[0], thickest[0]) == pytest.approx((0.1, 0.3))


def test_the_centres_of_many_frames_go_with_their_frames():
    """300 frames, more than are taken at once: the square of frame k lies k pixels to the right."""
    steps = np.arange(300.0)
    lumen = Contours.from_polygons(Structure.LUMEN, [rectangle(2.0, 2.0, x=k + 2, y=2.0) for k in steps])
    eem = Contours.from_polygons(Structure.EEM, [rectangle(6.0, 6.0, x=k + k / 300) for k in steps])
    thinnest, thickest = wall_thickness_mm(lumen, eem, MM, 4)
    assert thinnest == pytest.approx(2 - steps / 300, abs=1e-4)
    assert thickest == pytest.approx(2 + steps / 300, abs=1e-4)


@pytest.mark.parametrize("shape", [(4,), (3, 4), (2, 3, 4)])
def test_polygons_of_any_stack_of_radii(shape):
    got = radii_polygon_px(np.full(shape, 2.0), calibration(0.5, 0.25), (10.0, 20.0))
    assert got.shape == (*shape, 2)
    assert got.reshape(-1, 4, 2)[-1] == pytest.approx(np.array([[14.0, 20], [10, 28], [6, 20], [10, 12]]))


# ------------------------------------------------------------------------------------------------ masks


@pytest.mark.parametrize("turn", range(4))
def test_pixels_on_the_border_count_on_one_side(turn):
    """A rectangle from (2, 1) to (5, 4): its left and lower border belong to it, what lies opposite does not."""
    mask = polygon_mask(np.roll(rectangle(3.0, 3.0, x=2.0, y=1.0), turn, axis=0), (6, 8))
    expected = np.zeros((6, 8), dtype=bool)
    rows = np.flatnonzero(mask.any(axis=1))
    expected[rows[0] : rows[0] + 3, 2:5] = True
    assert rows[0] == 1
    assert np.array_equal(mask, expected)


def test_what_lies_outside_the_picture_is_cut_off():
    assert polygon_mask(rectangle(20.0, 20.0, x=-5.5, y=-5.5), (4, 6)).all()
    left = polygon_mask(rectangle(8.0, 2.0, x=-5.5, y=0.5), (4, 6))
    assert np.argwhere(left).tolist() == [[row, column] for row in (1, 2) for column in (0, 1, 2)]
    right = polygon_mask(rectangle(8.0, 1.0, x=3.5, y=2.5), (4, 6))
    assert np.argwhere(right).tolist() == [[3, 4], [3, 5]]
    beyond = polygon_mask(rectangle(3.0, 3.0, x=-9.0, y=0.0), (4, 6)) | polygon_mask(rectangle(3.0, 3.0, x=7.0), (4, 6))
    assert not beyond.any()
    assert not polygon_mask(rectangle(3.0, 3.0)[:2], (4, 6)).any()
    assert polygon_mask(np.array([[-0.5, -0.5], [3, -0.5], [-0.5, 3]]), (4, 6)).sum() == 6  # 3 + 2 + 1


def test_the_gap_of_a_fold_is_no_part_of_the_mask():
    mask = polygon_mask(U_SHAPE + 0.5, (8, 9))
    assert mask.sum() == 22
    assert np.flatnonzero(mask[4]).tolist() == [1, 2, 5, 6]


def test_the_outline_is_that_of_the_largest_part():
    mask = np.zeros((12, 14), dtype=bool)
    mask[0:5, 0:5] = True  # touches the border of the picture
    mask[2, 2] = False  # a hole
    mask[8:11, 9:12] = True
    outline = mask_polygon_px(mask)
    assert not np.array_equal(outline[0], outline[-1])
    filled = polygon_mask(outline, mask.shape)
    assert np.argwhere(filled).tolist() == [[row, column] for row in range(5) for column in range(5)]
    assert (outline.min(), outline.max()) == (-0.5, 4.5)
    assert polygon_area_mm2(outline, MM) == pytest.approx(25 - 4 * 0.125)  # each corner is cut


# ------------------------------------------------------------------------------------------------ polar


def test_samples_start_at_the_centre_and_turn_from_x_to_y():
    points = PolarGrid(calibration(0.5, 0.25), (10.0, 20.0), 4, 3, 0.5).sample_points_px()
    assert points.shape == (4, 3, 2)
    assert points[:, 0] == pytest.approx(np.array([[10.0, 20.0]] * 4))
    assert points[:, 2] == pytest.approx(np.array([[12.0, 20], [10, 24], [8, 20], [10, 16]]))


def test_l_shape_from_its_inner_corner_sees_what_shapely_sees():
    centre = np.array([2.9, 2.9])
    radii = polygon_radii_mm(L_SHAPE, MM, tuple(centre), 36)
    for k, radius in enumerate(radii):
        end = centre + 20 * np.array([np.cos(k * np.pi / 18), np.sin(k * np.pi / 18)])
        cut = shapely.intersection(shapely.Polygon(L_SHAPE).exterior, shapely.LineString([centre, end]))
        far = max(shapely.distance(part, shapely.Point(centre)) for part in shapely.get_parts(cut))
        assert radius == pytest.approx(far)
