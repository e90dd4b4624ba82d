"""The corrector: exact at the operator's points, local, never against the operator, never into accepted frames."""

from __future__ import annotations

import numpy as np
import pytest
from cases import CENTRE, baseline, bean, wavy
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from boreline.correction import State, apply_edit, border_at
from boreline.correction.border import Border, Polar
from boreline.correction.edits import Accept, Bridge, NotMeasurable, Points, Stroke
from boreline.correction.neighbours import REACH_FRAMES
from boreline.errors import InputRefused
from boreline.geometry import polygon_area_mm2
from boreline.model import Structure

FRAME = 15
LUMEN = Structure.LUMEN

angles = st.floats(0, 2 * np.pi)
pushes = st.floats(0.3, 2.5)
shapes = st.tuples(st.floats(0.0, 0.2), st.floats(0, 6.3), st.integers(12, 200), st.floats(0.6, 1.6))


def place(angle: float, reach: float) -> tuple[float, float]:
    return float(CENTRE[0] + reach * np.cos(angle)), float(CENTRE[1] + reach * np.sin(angle))


def inside(polygon: np.ndarray, point: tuple[float, float]) -> bool:
    from shapely.geometry import Point

    return bool(Polygon(polygon).contains(Point(point)))


@settings(max_examples=120, deadline=None)
@given(shape=shapes, moves=st.lists(st.tuples(angles, pushes), min_size=1, max_size=4))
def test_a_pushed_contour_never_moves_against_the_operator(
    shape: tuple[float, float, int, float], moves: list[tuple[float, float]]
) -> None:
    """Pushed out it contains what it contained; pushed in it is contained. Overlap by shapely, not by our own code."""
    waves, phase, n, aspect = shape
    from boreline.correction.points import through_points

    mm = np.array([0.02, 0.02 * aspect])
    polygon = wavy(60, waves=waves, phase=phase, n=n) * mm
    border = Border(polygon, np.ones(n, dtype=bool), np.zeros(n, dtype=np.uint8))
    for angle, push in moves:
        point = np.array(place(angle, 60 * push)) * mm
        before = Polygon(border.xy)
        outward = not inside(border.xy, (point[0], point[1]))
        try:
            moved = through_points(border, point[None, :])
        except InputRefused:  # only where a border folded by earlier moves leaves no way
            assert Polar.of(border) is None
            return
        after = Polygon(moved.xy)
        assert after.is_valid
        assert np.any(np.all(moved.xy == point, axis=1))
        slack = 1e-9 * before.area
        folded = Polar.of(border) is None
        if outward:
            assert after.area >= before.area - slack
            assert folded or before.difference(after).area <= slack
        else:
            assert after.area <= before.area + slack
            assert folded or after.difference(before).area <= slack
        border = moved


@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(CENTRE[0] - 110, CENTRE[0] + 110),
    y=st.floats(CENTRE[1] - 110, CENTRE[1] + 110),
)
def test_a_folded_contour_obeys_too(x: float, y: float) -> None:
    from boreline.correction.points import through_points

    border = Border.drawn(bean())
    assert Polygon(border.xy).is_valid
    assert Polar.of(border) is None
    try:
        moved = through_points(border, np.array([[x, y]]))
    except InputRefused:
        return
    outward = not inside(border.xy, (x, y))
    assert Polygon(moved.xy).is_valid
    change = abs(moved.area) - abs(border.area)
    assert change >= -1e-9 if outward else change <= 1e-9


@settings(max_examples=40, deadline=None)
@given(angle=angles, push=st.floats(0.5, 1.8), aspect=st.floats(0.7, 1.4))
def test_neighbours_follow_the_operators_way_or_stay(angle: float, push: float, aspect: float) -> None:
    base = baseline(aspect=aspect)
    point = place(angle, 62 * push)
    outward = not inside(border_at(base, State(), LUMEN, FRAME).xy, point)
    state, changed = apply_edit(base, State(), Points(frame=FRAME + 1, structure=LUMEN, points_px=(point,)))
    assert FRAME in changed
    for frame in range(base.n_frames):
        before = polygon_area_mm2(border_at(base, State(), LUMEN, frame).xy, base.calibration)
        after = polygon_area_mm2(border_at(base, state, LUMEN, frame).xy, base.calibration)
        if frame not in changed:
            assert after == before
        elif outward:
            assert after >= before - 1e-9
        else:
            assert after <= before + 1e-9
    assert all(abs(frame - FRAME) <= REACH_FRAMES for frame in changed)


def test_a_point_is_met_exactly_and_the_far_side_stays() -> None:
    base = baseline(aspect=1.25)
    point = place(0.4, 75.0)
    state, _ = apply_edit(base, State(), Points(frame=FRAME + 1, structure=LUMEN, points_px=(point,)))
    after, before = border_at(base, state, LUMEN, FRAME), border_at(base, State(), LUMEN, FRAME)
    assert np.abs(after.xy - np.array(point)).sum(axis=1).min() < 1e-9
    arm = before.xy - before.centre
    away = np.abs(np.angle(np.exp(1j * (np.arctan2(arm[:, 1], arm[:, 0]) - 0.4)))) > np.radians(75)
    for vertex in before.xy[away]:
        assert np.abs(after.xy - vertex).sum(axis=1).min() < 1e-9


def test_earlier_points_hold() -> None:
    base = baseline()
    first, second = place(0.0, 72.0), place(0.6, 50.0)
    state = State()
    for point in (first, second):
        state, _ = apply_edit(base, state, Points(frame=1, structure=LUMEN, points_px=(point,)))
    xy = border_at(base, state, LUMEN, 0).xy
    for point in (first, second):
        assert np.abs(xy - np.array(point)).sum(axis=1).min() < 1e-9


def test_accepted_frames_keep_their_vertices_whatever_comes() -> None:
    base = baseline()
    random = np.random.default_rng(5)
    state, _ = apply_edit(base, State(), Accept(first=12, last=14))
    kept = {f: border_at(base, state, s, f).xy.copy() for f in range(11, 14) for s in (LUMEN,)}
    for _ in range(60):
        frame = int(random.choice([f for f in range(6, 24) if f not in kept]))
        point = place(random.uniform(0, 6.28), random.uniform(40, 90))
        state, changed = apply_edit(base, state, Points(frame=frame + 1, structure=LUMEN, points_px=(point,)))
        assert not changed & set(kept)
    for frame, xy in kept.items():
        assert np.array_equal(border_at(base, state, LUMEN, frame).xy, xy)
    with pytest.raises(InputRefused, match="frame 13 is accepted"):
        apply_edit(base, state, Points(frame=13, structure=LUMEN, points_px=(place(0, 70),)))
    with pytest.raises(InputRefused, match="frame 12 is accepted"):
        apply_edit(base, state, NotMeasurable(first=10, last=20))


def test_edited_frames_do_not_follow_a_neighbour() -> None:
    base = baseline()
    state, _ = apply_edit(base, State(), Points(frame=15, structure=LUMEN, points_px=(place(1.0, 80),)))
    mine = border_at(base, state, LUMEN, 14).xy.copy()
    state, changed = apply_edit(base, state, Points(frame=17, structure=LUMEN, points_px=(place(1.0, 45),)))
    assert 14 not in changed
    assert np.array_equal(border_at(base, state, LUMEN, 14).xy, mine)


def test_neighbours_that_agree_with_the_correction_stay() -> None:
    """Only frame 15 is wrong: its neighbours show what the operator draws, so none of them may move much."""
    from dataclasses import replace

    from boreline.model import Contours

    base = baseline()
    good = wavy(60)
    polygons = [good] * base.n_frames
    polygons[FRAME] = wavy(42)
    contours = {**base.segmentation.contours, LUMEN: Contours.from_polygons(LUMEN, polygons)}
    base = replace(base, segmentation=replace(base.segmentation, contours=contours))
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, good)), closed=True)
    state, _ = apply_edit(base, State(), stroke)
    for frame in range(base.n_frames):
        area = Polygon(border_at(base, state, LUMEN, frame).xy).area
        assert area == pytest.approx(Polygon(good).area, rel=1e-3)


def test_neighbours_that_share_the_error_are_mended() -> None:
    from dataclasses import replace

    from boreline.model import Contours

    base = baseline()
    polygons = [wavy(42, centre=CENTRE + np.array([f * 0.4, -f * 0.3])) for f in range(base.n_frames)]
    contours = {**base.segmentation.contours, LUMEN: Contours.from_polygons(LUMEN, polygons)}
    base = replace(base, segmentation=replace(base.segmentation, contours=contours))
    truth = [wavy(60, centre=CENTRE + np.array([f * 0.4, -f * 0.3])) for f in range(base.n_frames)]
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, truth[FRAME])), closed=True)
    state, changed = apply_edit(base, State(), stroke)
    assert changed == frozenset(range(FRAME - REACH_FRAMES, FRAME + REACH_FRAMES + 1))
    one = Polygon(border_at(base, state, LUMEN, FRAME + 1).xy)
    assert one.intersection(Polygon(truth[FRAME + 1])).area / one.union(Polygon(truth[FRAME + 1])).area > 0.95


def test_a_stroke_replaces_its_arc_and_keeps_the_rest() -> None:
    base = baseline()
    span = np.linspace(0.5, 1.5, 40)
    points = tuple(place(a, 80 + 2 * np.sin(9 * a)) for a in span)
    for order in (points, points[::-1]):
        state, _ = apply_edit(base, State(), Stroke(frame=16, structure=LUMEN, points_px=order))
        after = border_at(base, state, LUMEN, FRAME)
        for point in points:
            assert np.abs(after.xy - np.array(point)).sum(axis=1).min() < 1e-9
        assert Polygon(after.xy).is_valid
        old = Polygon(border_at(base, State(), LUMEN, FRAME).xy)
        assert old.area < Polygon(after.xy).area < 1.6 * old.area


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (
            Stroke(frame=3, structure=LUMEN, points_px=((0, 0), (10, 10), (0, 10), (10, 0)), closed=True),
            "crosses itself",
        ),
        (Stroke(frame=3, structure=Structure.STENT, points_px=((0, 0), (10, 10))), "closed stroke"),
        (Points(frame=3, structure=Structure.STENT, points_px=((0, 0), (10, 10))), "three points"),
        (Points(frame=99, structure=LUMEN, points_px=((0, 0),)), "frame 99 lies beyond"),
        (Bridge(frame=3, structure=LUMEN, from_px=(300, 250), to_px=(300, 249)), "270 degrees"),
    ],
)
def test_edits_without_a_solution_are_refused_in_one_line(edit: object, words: str) -> None:
    with pytest.raises(InputRefused, match=words):
        apply_edit(baseline(), State(), edit)  # type: ignore[arg-type]


def test_points_all_round_make_a_contour_where_there_was_none() -> None:
    base = baseline()
    points = tuple(place(a, 50.0) for a in np.linspace(0, 2 * np.pi, 7)[:-1])
    state, _ = apply_edit(base, State(), Points(frame=5, structure=Structure.STENT, points_px=points))
    assert Polygon(border_at(base, state, Structure.STENT, 4).xy).area == pytest.approx(np.pi * 50**2, rel=0.01)


def test_a_bridge_is_smooth_and_marked_unseen() -> None:
    base = baseline()
    state, _ = apply_edit(
        base, State(), Bridge(frame=9, structure=Structure.EEM, from_px=place(0.2, 110), to_px=place(1.2, 110))
    )
    after = border_at(base, state, Structure.EEM, 8)
    arm = after.xy - after.centre
    theta = np.arctan2(arm[:, 1], arm[:, 0])
    assert not after.seen[(theta > 0.25) & (theta < 1.15)].any()
    assert after.seen[(theta < 0.1) | (theta > 1.3)].all()
    assert state.hidden_deg[8] == pytest.approx(57.3, abs=3.0)
