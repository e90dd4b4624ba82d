"""Self-crossing, case by case: every small polygon on a grid against shapely, and the two tests behind it apart."""

from itertools import product

import numpy as np
import pytest
import shapely
from shapes import L_SHAPE, calibration

from boreline.errors import GeometryError
from boreline.geometry import contours_are_simple, require_simple_polygon, resample_polygon_px
from boreline.geometry.simple import _goes_round_once, _is_simple, _segments_meet
from boreline.model import Contours, Structure

GRID = np.array(list(product(range(3), range(3))), dtype=float)
SQUARE = np.array([[0.0, 0], [2, 0], [2, 2], [0, 2]])
PENTAGRAM = np.column_stack([np.cos(0.8 * np.pi * np.arange(5)), np.sin(0.8 * np.pi * np.arange(5))])


def test_segments_on_a_grid_meet_where_shapely_says_so():
    """Reference: shapely's intersects; touching counts. A quarter of all pairs of segments on 3 by 3 points."""
    pairs = [(a, b) for a in range(9) for b in range(9) if a != b]
    quads = [(a, b, c, d) for k, (a, b) in enumerate(pairs) for c, d in pairs[k % 4 :: 4]]
    ours = [_segments_meet(*(GRID[i] for i in quad)) for quad in quads]
    first, second = (shapely.linestrings(GRID[np.array(quads)[:, ends]]) for ends in ([0, 1], [2, 3]))
    assert ours == shapely.intersects(first, second).tolist()


def _valid(polygons):
    shapes = np.array([shapely.Polygon(polygon) for polygon in polygons])
    repeated = [(polygon == np.roll(polygon, 1, axis=0)).all(axis=1).any() for polygon in polygons]
    return shapely.is_valid(shapes) & (shapely.area(shapes) > 0) & ~np.array(repeated)


def test_small_polygons_on_a_grid_are_simple_where_shapely_says_so():
    """Reference: valid in the sense of the OGC Simple Features standard; a third of all quadrangles, 1200 larger."""
    rng = np.random.default_rng(3)
    polygons = [GRID[list(corners)] for corners in list(product(range(9), repeat=4))[::3]]
    polygons += [GRID[list(corners)] for corners in product(range(9), repeat=3)]
    polygons += [rng.integers(0, 5, (n, 2)).astype(float) for n in (5, 6, 7) for _ in range(400)]
    expected = _valid(polygons)
    assert expected.sum() > 500
    ours = contours_are_simple(Contours.from_polygons(Structure.LUMEN, polygons))
    assert np.array_equal(ours, expected)
    with_area = shapely.area(np.array([shapely.Polygon(polygon).buffer(0) for polygon in polygons])) > 0
    slow = np.array([_is_simple(polygon) for polygon in polygons])
    assert np.array_equal(slow[with_area], expected[with_area])


@pytest.mark.parametrize("reversed_", [False, True])
def test_what_turns_once_about_a_point(reversed_):
    def once(polygon, x, y):
        return _goes_round_once(polygon[::-1].copy() if reversed_ else polygon, x, y)

    assert once(SQUARE, 1.0, 1.0)
    assert once(SQUARE, 0.25, 1.75)
    assert once(L_SHAPE, 1.0, 1.0)
    assert not once(L_SHAPE, 2.5, 5.0)  # the inner edge turns back about this point
    assert not once(SQUARE, 3.0, 1.0)  # outside
    assert not once(SQUARE, 1.0, 0.0)  # on an edge
    assert not once(SQUARE, 4.0, 0.0)  # in line with an edge
    assert not once(PENTAGRAM, 0.0, 0.0)  # twice round


def test_a_pentagram_is_refused_and_any_turn_of_a_square_is_not():
    polygons = [PENTAGRAM, *(np.roll(SQUARE, k, axis=0) for k in range(4))]
    assert contours_are_simple(Contours.from_polygons(Structure.EEM, polygons)).tolist() == [False, *[True] * 4]
    assert not _is_simple(PENTAGRAM)


def test_the_form_of_a_polygon_is_checked_first():
    for bad in (np.zeros(6), np.zeros((4, 3)), np.zeros((2, 2)), np.zeros((1, 4, 2))):
        with pytest.raises(GeometryError, match="the EEM needs at least three"):
            require_simple_polygon(bad, "the EEM")
    with pytest.raises(GeometryError, match="the contour has a vertex"):
        require_simple_polygon(np.array([[0.0, 0], [1, np.inf], [2, 0]]))
    triangle = require_simple_polygon(np.array([[0, 0], [2, 0], [0, 2]]))
    assert triangle.dtype == np.float64
    assert triangle.tolist() == [[0, 0], [2, 0], [0, 2]]


def test_new_vertices_lie_at_equal_steps_from_the_first():
    c = calibration(0.5, 1.0)  # 4 by 2 pixels are 2 by 2 mm: a step of 1 mm is 2 pixels along x, 1 along y
    got = resample_polygon_px(np.array([[1.0, 1], [5, 1], [5, 3], [1, 3]]), 8, c)
    assert got == pytest.approx(np.array([[1, 1], [3, 1], [5, 1], [5, 2], [5, 3], [3, 3], [1, 3], [1, 2]]))
