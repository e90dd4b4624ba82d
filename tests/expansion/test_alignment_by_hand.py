"""Before and after, placed and compared by hand; the cheapest path against a search through all of them."""

import math
from collections.abc import Iterator

import numpy as np
import pytest
from vessels import table

import boreline.expansion.alignment as alignment_module
from boreline.errors import InputRefused
from boreline.expansion.alignment import (
    Alignment,
    _path,
    _sampled,
    align_by_fiducials,
    align_dynamically,
    compare,
    same_sites,
)
from boreline.model import FloatArray
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import site_at


def vessel(n: int = 600, **areas: object) -> Profile:
    return profile_from_table(table(n=n).assign(**areas))


# ------------------------------------------------------------------------------------------------ fiducials


def test_between_places_lengths_are_stretched_and_outside_kept() -> None:
    """Before 12 and 32 mm are 10 and 20 mm after: two to one between, one to one outside."""
    got = align_by_fiducials(vessel(), vessel(), [(32.0, 20.0), (12.0, 10.0)])
    assert np.diff(got.after_mm) == pytest.approx(np.full(len(got.after_mm) - 1, 0.5))
    expected = np.select(
        [got.after_mm < 10, got.after_mm <= 20], [got.after_mm + 2, 12 + 2 * (got.after_mm - 10)], got.after_mm + 12
    )
    assert got.before_mm == pytest.approx(expected)
    # What lies outside the earlier run is left out: before 59.9 mm is after 47.9 mm.
    assert (got.after_mm[0], got.after_mm[-1]) == (0.0, 47.5)
    back = align_by_fiducials(vessel(), vessel(), [(10.0, 14.0)])
    assert (back.after_mm[0], back.before_mm[0]) == (4.0, 0.0)
    assert (back.after_mm[-1], back.before_mm[-1]) == (59.5, 55.5)
    assert math.isnan(back.residual_mm)


def test_the_grid_ends_with_the_later_run() -> None:
    whole = align_by_fiducials(vessel(), vessel(n=101), [(10.0, 5.0)])  # 0 to 10.0 mm
    assert (whole.after_mm[0], whole.after_mm[-1], len(whole.after_mm)) == (0.0, 10.0, 21)
    between = align_by_fiducials(vessel(), vessel(n=105), [(10.0, 5.0)])  # to 10.4 mm
    assert between.after_mm[-1] == 10.0


def test_each_place_is_missed_by_what_the_others_say() -> None:
    """Left out in turn, 31.0 is expected at 30.0, and the ends at one too much on either side."""
    crooked = [(10.0, 5.0), (31.0, 25.0), (50.0, 45.0)]
    assert align_by_fiducials(vessel(), vessel(), crooked).residual_mm == pytest.approx(1.0)
    # With two places before 45.0 the last is expected at 30 + 20; the middle of (5, 10) and (45, 53) is 31.5.
    uneven = [(10.0, 5.0), (30.0, 25.0), (53.0, 45.0)]
    misses = np.array([30.0 - 20.0 - 10.0, 31.5 - 30.0, 50.0 - 53.0])
    expected = math.sqrt(np.mean(misses**2))
    assert align_by_fiducials(vessel(), vessel(), uneven).residual_mm == pytest.approx(expected)
    assert math.isnan(align_by_fiducials(vessel(), vessel(), uneven[:2]).residual_mm)


def test_the_residual_is_of_the_areas_that_were_used() -> None:
    before = vessel(eem_area_mm2=16.0, lumen_area_mm2=8.0)
    after = vessel(eem_area_mm2=14.5, lumen_area_mm2=8.75)
    assert align_by_fiducials(before, after, [(10.0, 10.0)]).residual_mm2 == pytest.approx(1.5)
    blind = vessel(eem_area_mm2=np.nan, lumen_area_mm2=8.75)
    assert align_by_fiducials(before, blind, [(10.0, 10.0)]).residual_mm2 == pytest.approx(0.75)
    half = vessel(eem_area_mm2=np.where(np.arange(600) < 300, 14.5, np.nan), lumen_area_mm2=2.0)
    assert align_by_fiducials(before, half, [(10.0, 10.0)]).residual_mm2 == pytest.approx(1.5)
    assert math.isnan(align_by_fiducials(blind, before, [(10.0, 10.0)]).residual_mm2)


def test_places_must_lie_in_both_runs_and_in_one_order() -> None:
    for pairs in ([(70.0, 10.0)], [(10.0, 70.0)]):
        with pytest.raises(InputRefused, match="outside the run"):
            align_by_fiducials(vessel(), vessel(), pairs)
    for pairs in ([(10.0, 10.0), (10.0, 20.0)], [(10.0, 10.0), (20.0, 10.0)], [(20.0, 10.0), (10.0, 20.0)]):
        with pytest.raises(InputRefused, match="same order"):
            align_by_fiducials(vessel(), vessel(), pairs)


# ------------------------------------------------------------------------------------------------ dynamic


def all_paths(cost: FloatArray, end: tuple[int, int]) -> Iterator[tuple[float, int, list[tuple[int, int]]]]:
    """Every way from the first row or column to `end`: total cost, steps, places."""
    i, j = end
    if i == 0 or j == 0:
        yield cost[i, j], 1, [end]
        return
    for di, dj in ((1, 1), (2, 1), (1, 2)):
        if i >= di and j >= dj:
            reach = max(di, dj)
            price = cost[i, j] * reach + (0.05 if reach > 1 else 0.0)
            for total, steps, places in all_paths(cost, (i - di, j - dj)):
                yield total + price, steps + reach, [*places, end]


@pytest.mark.parametrize("shape", [(5, 5), (4, 7), (7, 4), (6, 5)])
@pytest.mark.parametrize("seed", range(6))
def test_the_path_is_the_cheapest_of_all(shape: tuple[int, int], seed: int) -> None:
    """Of the cheapest way to each end that covers half of the shorter run, the one with the least mean cost."""
    n, m = shape
    cost = np.random.default_rng(seed).uniform(0, 1, shape)
    ends = {(i, m - 1) for i in range(n)} | {(n - 1, j) for j in range(m)}
    cheapest = [min(all_paths(cost, end)) for end in sorted(ends)]
    long_enough = [way for way in cheapest if way[1] >= min(n, m) / 2]
    expected = min(long_enough, key=lambda way: way[0] / way[1])[2]
    assert _path(cost).tolist() == [list(place) for place in expected]


def test_a_path_along_a_valley() -> None:
    valley = np.ones((11, 11))
    for k in range(6):
        valley[2 * k, k] = 0.0
    assert _path(valley).tolist() == [[2 * k, k] for k in range(6)]
    assert _path(valley.T).tolist() == [[k, 2 * k] for k in range(6)]
    steps = np.abs(np.arange(9)[:, None] - np.arange(8)[None, :] - 1.0)
    assert _path(steps).tolist() == [[k + 1, k] for k in range(8)]


def test_samples_lie_half_a_millimetre_apart_between_known_areas() -> None:
    area = np.full(600, np.nan)
    area[[20, 40, 45]] = [4.0, 8.0, 9.0]
    x, values = _sampled(vessel(), area)
    assert x == pytest.approx([2.0, 2.5, 3.0, 3.5, 4.0])
    assert values == pytest.approx([4.0, 5.0, 6.0, 7.0, 8.0])
    area[[40, 45]] = np.nan
    assert [len(part) for part in _sampled(vessel(), area)] == [0, 0]
    area[21] = 5.0
    assert _sampled(vessel(), area)[1].tolist() == [4.0]


@pytest.mark.parametrize(("rows", "enough"), [(46, False), (47, True)])
def test_five_millimetres_of_either_run_must_be_known(rows: int, enough: bool) -> None:
    """4.5 mm from first to last make nine samples, 4.6 mm make ten."""
    wave = 14 + np.sin(np.arange(600) / 30)
    part = np.where(np.arange(600) < rows, wave, np.nan)
    whole = vessel(eem_area_mm2=np.nan, lumen_area_mm2=wave)
    short = vessel(eem_area_mm2=np.nan, lumen_area_mm2=part)
    for runs in ((whole, short), (short, whole)):
        if enough:
            assert "lumen" in align_dynamically(*runs).method
        else:
            with pytest.raises(InputRefused, match="too little"):
                align_dynamically(*runs)


def test_the_eem_is_used_where_half_of_it_is_known_in_both_runs() -> None:
    x = np.arange(600) / 10
    wave = 14 + 2 * np.sin(x / 3) + np.sin(x)
    whole = vessel(eem_area_mm2=wave, lumen_area_mm2=wave / 2)
    for known, word in ((300, "EEM"), (299, "lumen")):
        half = vessel(eem_area_mm2=np.where(np.arange(600) < known, wave, np.nan), lumen_area_mm2=wave / 2)
        for runs in ((whole, half), (half, whole)):
            got = align_dynamically(*runs)
            assert got.method == f"dynamic alignment of {word} areas"
            assert np.abs(got.before_mm - got.after_mm).max() < 0.8
            assert np.all(np.diff(got.after_mm) > 0)
            assert math.isnan(got.residual_mm)


def test_differences_count_in_standard_deviations_of_both_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    costs = []

    def watched(cost: FloatArray) -> FloatArray:
        costs.append(cost)
        return _path(cost)

    monkeypatch.setattr(alignment_module, "_path", watched)
    rising, even = 10 + np.arange(600) / 100, np.full(600, 12.0)
    align_dynamically(vessel(eem_area_mm2=rising), vessel(eem_area_mm2=even))
    (cost,) = costs
    assert cost.shape == (120, 120)  # 0 to 59.5 mm in steps of half a millimetre
    a = 10 + np.arange(120) / 20
    sd = np.std(np.concatenate([a, np.full(120, 12.0)]))
    assert cost[:, 0] == pytest.approx(((a - 12.0) / sd) ** 2)
    align_dynamically(vessel(eem_area_mm2=even), vessel(eem_area_mm2=even))
    assert not costs[1].any()


# ------------------------------------------------------------------------------------------------ comparison


def test_gains_by_hand() -> None:
    before = vessel(lumen_area_mm2=3.0, eem_area_mm2=14.0)
    after = vessel(lumen_area_mm2=8.12345678, eem_area_mm2=np.where(np.arange(600) > 150, 15.5, np.nan))
    alignment = Alignment(np.array([10.0004, 20.0]), np.array([11.0, 21.00049]), "by hand", 1.25, math.nan)
    got = compare(before, after, alignment)
    assert got == {
        "method": "by hand",
        "residual_mm2": 1.25,
        "residual_mm": None,
        "position_mm": [10.0, 20.0],
        "position_before_mm": [11.0, 21.0],
        "lumen_gain_mm2": [5.1235, 5.1235],
        "eem_gain_mm2": [None, 1.5],
        "plaque_change_mm2": [None, pytest.approx(1.5 - 5.1235, abs=1e-4)],
        "mean_lumen_gain_mm2": pytest.approx(5.12345678),
        "mean_plaque_change_mm2": pytest.approx(1.5 - 5.12345678),
    }


def test_areas_are_read_where_the_alignment_says() -> None:
    """Lumen before rises by 1 mm2 per mm, after it is even: the gain falls by the same."""
    x = np.arange(600) / 10
    before, after = vessel(lumen_area_mm2=x, eem_area_mm2=70.0), vessel(lumen_area_mm2=50.0, eem_area_mm2=70.0)
    alignment = align_by_fiducials(before, after, [(10.0, 20.0)])
    got = compare(before, after, alignment)
    assert got["lumen_gain_mm2"] == pytest.approx(50.0 - alignment.before_mm)
    assert got["plaque_change_mm2"] == pytest.approx(alignment.before_mm - 50.0)


def test_sites_are_paired_by_the_alignment_one_by_one() -> None:
    before, after = vessel(eem_area_mm2=np.nan), vessel(lumen_area_mm2=9.0)
    alignment = align_by_fiducials(before, after, [(10.0, 20.0)])
    sites = {"outside": site_at(after, 50), "inside": site_at(after, 300), "last": site_at(after, 599)}
    got = same_sites(before, after, alignment, sites)
    assert list(got) == ["outside", "inside", "last"]
    assert got["outside"] is None
    inside = got["inside"]
    assert inside is not None
    assert inside["after"] == sites["inside"].as_json()
    assert inside["before"]["position_mm"] == pytest.approx(20.0)
    assert inside["lumen_gain_mm2"] == pytest.approx(9.0 - before.lumen_area_mm2[200])
    assert inside["eem_gain_mm2"] is None
