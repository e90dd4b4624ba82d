"""Worked sizing examples: the published 3.76 mm example with its trap, and one vessel by every method.

Räber, Eur Heart J 2018;39:3281-3300 (from memory): a lumen of 3.76 mm gives a 4.0 mm and an EEM of 3.76 mm a 3.5 mm
device - the latter only follows when the list holds no 3.75 mm device.
"""

import math
from dataclasses import replace

import pytest

from boreline.profile.uncertainty import Measured
from boreline.sizing.devices import Device, Rounding, round_to_list
from boreline.sizing.methods import References, apply_methods

WITHOUT_375 = (2.5, 2.75, 3.0, 3.25, 3.5, 4.0, 4.5)
WITH_375 = (*WITHOUT_375, 3.75)


@pytest.mark.parametrize(
    ("measured_mm", "sizes", "rounding", "expected"),
    [
        (3.76, WITHOUT_375, Rounding.UP, 4.0),
        (3.76, WITHOUT_375, Rounding.DOWN, 3.5),
        (3.76, WITH_375, Rounding.DOWN, 3.75),
        (3.76, WITH_375, Rounding.UP, 4.0),
        (3.75, WITH_375, Rounding.UP, 3.75),
        (3.60, (3.5, 4.0), Rounding.UP, None),
        (3.375, (3.25, 3.5), Rounding.NEAREST, 3.25),
    ],
)
def test_rounding_to_the_list(
    measured_mm: float, sizes: tuple[float, ...], rounding: Rounding, expected: float | None
) -> None:
    assert round_to_list(measured_mm, sizes, rounding).diameter_mm == expected


def test_no_size_within_the_rule_lists_both_neighbours() -> None:
    rounded = round_to_list(3.60, (3.5, 4.0), Rounding.UP)
    assert (rounded.below_mm, rounded.above_mm) == (3.5, 4.0)


def diameter(area_mm2: float) -> Measured:
    return Measured(2 * math.sqrt(area_mm2 / math.pi))


REFERENCES = References(
    diameter(7.6), diameter(9.8), diameter(12.4), diameter(16.5), Measured(math.nan), Measured(math.nan), 360.0, 360.0
)


@pytest.mark.parametrize(
    ("method", "measured_mm", "size_mm"),
    [
        ("distal-lumen", 3.111, 3.25),
        ("distal-eem", 3.973, 3.75),
        ("mean-lumen", 3.322, 3.25),
        ("largest-lumen", 3.532, 3.5),
        ("mid-wall", 3.542, 3.5),
        ("proximal-eem", 4.583, 4.5),
        ("smaller-eem", 3.973, 3.75),
    ],
)
def test_one_vessel_by_every_method(method: str, measured_mm: float, size_mm: float) -> None:
    """Area-derived diameters of a vessel with lumens 7.6 and 9.8, EEMs 12.4 and 16.5 mm2."""
    devices = [Device(size, 30.0) for size in WITH_375]
    results = {result.method.id: result for result in apply_methods(REFERENCES, devices, 25.0)}
    assert results[method].measured.value == pytest.approx(measured_mm, abs=6e-4)
    assert results[method].rounded.diameter_mm == size_mm


def test_without_375_the_distal_eem_gives_350() -> None:
    devices = [Device(size, 30.0) for size in WITHOUT_375]
    results = {result.method.id: result for result in apply_methods(REFERENCES, devices, 25.0)}
    assert results["distal-eem"].rounded.diameter_mm == 3.5


def test_missing_side_is_never_replaced_by_the_other() -> None:
    one_sided = References(diameter(7.6), *(Measured(math.nan),) * 5, 360.0, math.nan)
    results = {r.method.id: r for r in apply_methods(one_sided, [Device(3.25, 30.0)], 25.0)}
    assert results["distal-lumen"].rounded.diameter_mm == 3.25
    for method in ("mean-lumen", "largest-lumen", "smaller-eem", "proximal-eem", "mid-wall"):
        assert results[method].rounded.diameter_mm is None
        assert "not measurable" in str(results[method].remark)


@pytest.mark.parametrize(("seen_deg", "applies"), [(180.0, True), (179.9, False), (math.nan, False)])
def test_the_smaller_eem_needs_half_of_it_seen(seen_deg: float, applies: bool) -> None:
    """Ali, Lancet 2016;388:2618-28: at least 180 degrees."""
    devices = [Device(size, 20.0) for size in WITH_375]
    references = replace(REFERENCES, proximal_eem_seen_deg=seen_deg)
    results = {result.method.id: result for result in apply_methods(references, devices, 18.0)}
    found = results["smaller-eem"]
    assert (found.rounded.diameter_mm == 3.75) is applies
    assert found.remark == (
        None
        if applies
        else "not assessable: needs the EEM seen over at least 180 degrees (distal 360, proximal "
        + ("not known)" if math.isnan(seen_deg) else f"{seen_deg:.0f})")
    )
    assert results["distal-eem"].rounded.diameter_mm == 3.75
