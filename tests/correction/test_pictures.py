"""Corrections that look at the picture: drawn discs with speckle stand in for frames, so that the truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cases import CENTRE, baseline, wavy
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from boreline.correction import Baseline, State, apply_edit, border_at
from boreline.correction.coupling import LEAST_WALL_MM
from boreline.correction.edits import Accept, Points, Stroke
from boreline.correction.neighbours import REACH_FRAMES
from boreline.model import Contours, GreyImage, Structure

FRAME = 15
LUMEN, EEM = Structure.LUMEN, Structure.EEM
MM = 0.02


def truth(frame: int) -> np.ndarray:
    """The lumen that is drawn: it drifts and changes shape slowly."""
    return wavy(60 + 0.4 * frame, phase=frame / 25, centre=CENTRE + np.array([0.5 * frame, -0.3 * frame]))


def picture(frame: int, *, seed: int = 0) -> GreyImage:
    """Dark inside the true lumen, bright and speckled outside; the wall's speckle hardly changes between frames."""
    import cv2

    still = np.random.default_rng(seed).rayleigh(0.8, (512, 512))
    new = np.random.default_rng([seed, frame]).rayleigh(0.8, (512, 512))
    inside = np.zeros((512, 512), np.uint8)
    cv2.fillPoly(inside, [np.rint(truth(frame)).astype(np.int32)], 1)
    shift = np.float64([[1, 0, 0.5 * frame], [0, 1, -0.3 * frame]])
    wall = cv2.warpAffine(cv2.GaussianBlur(still, (0, 0), 2.0), shift, (512, 512), borderMode=cv2.BORDER_REFLECT)
    level = np.where(inside, 25 * cv2.GaussianBlur(new, (0, 0), 2.0), 90 * wall)
    return np.clip(level, 0, 255).astype(np.uint8)


def looking(lumen: list[np.ndarray], **changes: int) -> Baseline:
    base = baseline()
    contours = {**base.segmentation.contours, LUMEN: Contours.from_polygons(LUMEN, lumen)}
    return replace(
        base,
        segmentation=replace(base.segmentation, contours=contours),
        picture_of=lambda frame: picture(frame, **changes),
    )


def overlap(one: np.ndarray, two: np.ndarray) -> float:
    a, b = Polygon(one), Polygon(two)
    return float(a.intersection(b).area / a.union(b).area)


def smaller(frame: int, factor: float) -> np.ndarray:
    middle = truth(frame).mean(axis=0)
    return np.asarray(middle + (truth(frame) - middle) * factor)


@settings(max_examples=40)
@given(
    angle=st.floats(0, 2 * np.pi),
    push=st.floats(0.5, 1.7),
    second=st.tuples(st.floats(0, 2 * np.pi), st.floats(0.5, 1.7)),
    seed=st.integers(0, 5),
)
def test_with_a_picture_a_push_never_goes_against_the_operator(
    angle: float, push: float, second: tuple[float, float], seed: int
) -> None:
    """Pushed out it contains what it contained, pushed in it is contained, whatever the picture shows; by shapely."""
    from boreline.correction.border import Border
    from boreline.correction.points import through_points

    noise = np.random.default_rng(seed).integers(0, 255, (512, 512), dtype=np.uint8)
    polygon = wavy(60, phase=seed) * MM
    border = Border(polygon, np.ones(len(polygon), dtype=bool), np.zeros(len(polygon), dtype=np.uint8))
    for turn, far in ((angle, push), second):
        point = (CENTRE + 60 * far * np.array([np.cos(turn), np.sin(turn)])) * MM
        before = Polygon(border.xy)
        from shapely.geometry import Point

        outward = not before.contains(Point(*point))
        moved = through_points(border, point[None, :], grey=noise, mm_per_px=np.array([MM, MM]))
        after = Polygon(moved.xy)
        assert after.is_valid
        assert np.any(np.all(moved.xy == point, axis=1))
        lost = before.difference(after).area if outward else after.difference(before).area
        assert lost <= 1e-9 * before.area
        border = moved


def test_earlier_points_hold_in_the_picture_too() -> None:
    base = looking([smaller(f, 0.9) for f in range(30)])
    state = State()
    placed = [tuple(truth(FRAME)[k]) for k in (3, 9, 40)]
    for point in placed:
        state, _ = apply_edit(base, state, Points(frame=FRAME + 1, structure=LUMEN, points_px=(point,)))
    xy = border_at(base, state, LUMEN, FRAME).xy
    assert all(np.abs(xy - np.array(point)).sum(axis=1).min() < 1e-9 for point in placed)


def test_the_picture_mends_more_of_an_arc_than_the_points_alone() -> None:
    base = looking([smaller(f, 0.8) for f in range(30)])
    points = tuple(tuple(truth(FRAME)[k]) for k in (0, 24, 48, 72))
    edit = Points(frame=FRAME + 1, structure=LUMEN, points_px=points)
    seen, _ = apply_edit(base, State(), edit)
    blind, _ = apply_edit(replace(base, picture_of=None), State(), edit)
    with_picture = overlap(border_at(base, seen, LUMEN, FRAME).xy, truth(FRAME))
    without = overlap(border_at(base, blind, LUMEN, FRAME).xy, truth(FRAME))
    assert with_picture > without
    assert with_picture > 0.95


def test_neighbours_that_share_an_error_follow_the_wall() -> None:
    base = looking([smaller(f, 0.75) for f in range(30)])
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, truth(FRAME))), closed=True)
    state, changed = apply_edit(base, State(), stroke)
    assert changed == frozenset(range(FRAME - REACH_FRAMES, FRAME + REACH_FRAMES + 1))
    for frame in changed:
        assert overlap(border_at(base, state, LUMEN, frame).xy, truth(frame)) > 0.93


def test_good_neighbours_stay_good() -> None:
    """Only one frame is wrong: no neighbour loses more than a hundredth of its overlap."""
    lumen = [truth(f) for f in range(30)]
    lumen[FRAME] = smaller(FRAME, 0.7)
    base = looking(lumen)
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, truth(FRAME))), closed=True)
    state, _ = apply_edit(base, State(), stroke)
    assert min(overlap(border_at(base, state, LUMEN, f).xy, truth(f)) for f in range(30)) > 0.99


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_neighbours_of_a_push_go_the_operators_way(factor: float) -> None:
    base = looking([smaller(f, factor) for f in range(30)])
    state, changed = apply_edit(
        base, State(), Points(frame=FRAME + 1, structure=LUMEN, points_px=(tuple(truth(FRAME)[10]),))
    )
    assert len(changed) > 1
    for frame in changed:
        before = Polygon(border_at(base, State(), LUMEN, frame).xy)
        after = Polygon(border_at(base, state, LUMEN, frame).xy)
        gone = before.difference(after).area if factor < 1 else after.difference(before).area
        assert gone <= 1e-6 * before.area


def test_an_operators_frame_ends_the_search_and_never_changes() -> None:
    base = looking([smaller(f, 0.75) for f in range(30)])
    state, _ = apply_edit(base, State(), Accept(first=FRAME - 2, last=FRAME - 2))
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, truth(FRAME))), closed=True)
    state, changed = apply_edit(base, state, stroke)
    assert min(changed) == FRAME - 2  # frame FRAME - 3, counted from 0, is the accepted one
    for frame in range(FRAME - 2):
        assert np.array_equal(border_at(base, state, LUMEN, frame).xy, border_at(base, State(), LUMEN, frame).xy)


def test_what_cannot_be_found_again_is_not_followed() -> None:
    base = looking([smaller(f, 0.75) for f in range(30)])
    static = np.random.default_rng(1).integers(0, 255, (30, 512, 512), dtype=np.uint8)
    base = replace(base, picture_of=lambda f: picture(f) if f <= FRAME + 2 else static[f])
    stroke = Stroke(frame=FRAME + 1, structure=LUMEN, points_px=tuple(map(tuple, truth(FRAME))), closed=True)
    _, changed = apply_edit(base, State(), stroke)
    assert max(changed) == FRAME + 2


def gaps_mm(base: Baseline, state: State) -> tuple[Polygon, Polygon]:
    return tuple(Polygon(border_at(base, state, s, FRAME).xy * MM) for s in (LUMEN, EEM))  # type: ignore[return-value]


@pytest.mark.parametrize("angle", [0.0, 1.3, 4.0])
def test_a_lumen_pushed_beyond_the_eem_takes_it_along(angle: float) -> None:
    base = baseline()
    point = CENTRE + 130 * np.array([np.cos(angle), np.sin(angle)])
    state, changed = apply_edit(base, State(), Points(frame=FRAME + 1, structure=LUMEN, points_px=(tuple(point),)))
    lumen, eem = gaps_mm(base, state)
    assert eem.contains(lumen)
    assert lumen.distance(eem.exterior) > 0.8 * LEAST_WALL_MM
    assert eem.area > gaps_mm(base, State())[1].area
    assert (EEM, FRAME) in state.influenced
    assert FRAME in changed
    assert not state.held_back


def test_an_eem_pulled_into_the_lumen_takes_it_along() -> None:
    base = baseline()
    point = CENTRE + 40 * np.array([1.0, 0.0])
    state, _ = apply_edit(base, State(), Points(frame=FRAME + 1, structure=EEM, points_px=(tuple(point),)))
    lumen, eem = gaps_mm(base, state)
    assert eem.contains(lumen)
    assert lumen.area < gaps_mm(base, State())[0].area


def test_the_operators_eem_holds_the_lumen_back() -> None:
    base = baseline()
    whole = Stroke(frame=FRAME + 1, structure=EEM, points_px=tuple(map(tuple, wavy(95, waves=0.03))), closed=True)
    state, _ = apply_edit(base, State(), whole)
    kept = border_at(base, state, EEM, FRAME).xy
    before = gaps_mm(base, state)[0]
    point = CENTRE + 130 * np.array([0.0, 1.0])
    state, _ = apply_edit(base, state, Points(frame=FRAME + 1, structure=LUMEN, points_px=(tuple(point),)))
    lumen, eem = gaps_mm(base, state)
    assert np.array_equal(border_at(base, state, EEM, FRAME).xy, kept)
    assert eem.contains(lumen)
    assert lumen.area > before.area
    assert state.held_back == {(LUMEN, FRAME)}


@settings(max_examples=20)
@given(angle=st.floats(0, 2 * np.pi), far=st.floats(0.4, 2.6))
def test_no_push_puts_the_lumen_beyond_the_eem(angle: float, far: float) -> None:
    """In the edited frame and in those that follow it; by shapely."""
    base = baseline()
    point = CENTRE + 60 * far * np.array([np.cos(angle), np.sin(angle)])
    for structure in (LUMEN, EEM):
        state, changed = apply_edit(
            base, State(), Points(frame=FRAME + 1, structure=structure, points_px=(tuple(point),))
        )
        for frame in changed:
            lumen, eem = (Polygon(border_at(base, state, s, frame).xy) for s in (LUMEN, EEM))
            assert lumen.difference(eem).area < 1e-6 * lumen.area
