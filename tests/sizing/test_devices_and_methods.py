"""Rounding, lengths, methods and notes at their limits, each worked by hand."""

import math
from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import numpy as np
import pytest
from vessels import profile as vessel
from vessels import table

from boreline.errors import InputRefused
from boreline.profile.calcium import CalciumSummary
from boreline.profile.lesions import lesion_to_cover
from boreline.profile.record import profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import Measured, SharedUncertainty
from boreline.sizing.devices import (
    Device,
    LengthChoice,
    Rounded,
    Rounding,
    choose_lengths,
    common_sizes,
    read_devices,
    round_to_list,
)
from boreline.sizing.landing import Landing, chosen_landing
from boreline.sizing.methods import METHODS, MethodResult, References, apply_methods
from boreline.sizing.notes import plan_notes

UNKNOWN = Measured(math.nan)
NOTHING = References(UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, math.nan, math.nan)
SIZES = (2.5, 3.0, 3.5, 4.0)
DEVICES = [Device(size, length) for size in SIZES for length in (12.0, 18.0, 28.0)]


# ------------------------------------------------------------------------------------------------ the list


def test_the_built_in_list_has_every_pair_once() -> None:
    sizes = common_sizes()
    assert len(set(sizes)) == len(sizes) == 100
    assert sorted({device.diameter_mm for device in sizes}) == [2.25, 2.5, 2.75, 3.0, 3.25, 3.5, 3.75, 4.0, 4.5, 5.0]
    assert sorted({device.length_mm for device in sizes}) == [8, 12, 15, 18, 22, 26, 30, 34, 38, 48]
    assert {device.post_dilatation_limit_mm for device in sizes} == {None}
    with pytest.raises(FrozenInstanceError):
        sizes[0].diameter_mm = 3.0  # type: ignore[misc]
    with pytest.raises((FrozenInstanceError, AttributeError, TypeError)):
        sizes[0].name = "x"  # type: ignore[attr-defined]


def read(tmp_path: Path, text: str, encoding: str = "utf-8") -> tuple[Device, ...]:
    path = tmp_path / "devices.csv"
    path.write_bytes(text.encode(encoding))
    return read_devices(path)


def test_a_list_as_a_spreadsheet_writes_it(tmp_path: Path) -> None:
    text = " diameter_mm , length_mm,post_dilatation_limit_mm,remark\r\n 3.0 ,18, 3.0 ,x\r\n2.5,48,,\r\n2.5,12,  ,\r\n"
    expected = (Device(2.5, 12.0), Device(2.5, 48.0), Device(3.0, 18.0, 3.0))
    assert read(tmp_path, text, "utf-8-sig") == expected


@pytest.mark.parametrize("row", ["1,4", "10,120", "1,4,1", "10,120,10"])
def test_sizes_at_the_ends_of_the_range(tmp_path: Path, row: str) -> None:
    assert len(read(tmp_path, f"diameter_mm,length_mm,post_dilatation_limit_mm\n{row}\n")) == 1


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("0.99,18", "diameter_mm"),
        ("10.01,18", "diameter_mm"),
        ("nan,18", "diameter_mm"),
        (",18", "diameter_mm"),
        ("3,3.99", "length_mm"),
        ("3,120.01", "length_mm"),
        ("3", "length_mm"),
        ("3,18,10.01", "post_dilatation_limit_mm"),
        ("3,18,2.99", "post_dilatation_limit_mm"),
        ("3,18,x", "post_dilatation_limit_mm"),
    ],
)
def test_what_is_no_size_names_its_line_and_column(tmp_path: Path, row: str, column: str) -> None:
    with pytest.raises(InputRefused) as refusal:
        read(tmp_path, f"diameter_mm,length_mm,post_dilatation_limit_mm\n3,18,\n3,18,3\n{row}\n")
    assert "line 4" in str(refusal.value)
    assert column in str(refusal.value)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="cannot be read"):
        read(tmp_path, "diameter_mm,length_mm\n3,18é\n", "latin-1")


# ------------------------------------------------------------------------------------------------ rounding


@pytest.mark.parametrize(
    ("measured_mm", "rounding", "expected"),
    [
        # Sizes 2.5, 3.0, 3.5, 4.0; a size equals a measurement within a millionth of a millimetre.
        (3.0, Rounding.UP, Rounded(3.0, 3.0, 3.0)),
        (3.0, Rounding.DOWN, Rounded(3.0, 3.0, 3.0)),
        (3.0, Rounding.NEAREST, Rounded(3.0, 3.0, 3.0)),
        (2.9999995, Rounding.DOWN, Rounded(3.0, 3.0, 3.0)),
        (2.999, Rounding.DOWN, Rounded(2.5, 2.5, 3.0)),
        (3.0000005, Rounding.UP, Rounded(3.0, 3.0, 3.0)),
        (3.001, Rounding.UP, Rounded(None, 3.0, 3.5)),
        (3.25, Rounding.UP, Rounded(3.5, 3.0, 3.5)),
        (3.2499995, Rounding.UP, Rounded(3.5, 3.0, 3.5)),
        (3.2499, Rounding.UP, Rounded(None, 3.0, 3.5)),
        (3.25, Rounding.NEAREST, Rounded(3.0, 3.0, 3.5)),
        (3.2500004, Rounding.NEAREST, Rounded(3.0, 3.0, 3.5)),
        (3.25001, Rounding.NEAREST, Rounded(3.5, 3.0, 3.5)),
        (3.24, Rounding.NEAREST, Rounded(3.0, 3.0, 3.5)),
        (4.6, Rounding.DOWN, Rounded(4.0, 4.0, None)),
        (4.6, Rounding.UP, Rounded(None, 4.0, None)),
        (2.3, Rounding.UP, Rounded(2.5, None, 2.5)),
    ],
)
def test_rounding_at_its_limits(measured_mm: float, rounding: Rounding, expected: Rounded) -> None:
    assert round_to_list(measured_mm, SIZES[::-1], rounding) == expected


@pytest.mark.parametrize(
    ("length_mm", "expected"),
    [
        (1.0, LengthChoice((8.0,), 7.0)),
        (8.0, LengthChoice((8.0,), 0.0)),
        (8.0000005, LengthChoice((8.0,), 0.0)),
        (8.001, LengthChoice((12.0,), 3.999)),
        (28.0, LengthChoice((28.0,), 0.0)),
        # Two devices share 2 mm. 8 + 22, 12 + 18, 18 + 12 ... reach 28; the longer goes distally, and the longest pair
        # of least excess is taken: 28.5 needs 30.5, which 12 + 22 and 18 + 18 overshoot by 3.5 and 5.5.
        (28.5, LengthChoice((22.0, 12.0), 3.5, 2.0)),
        (34.0, LengthChoice((28.0, 8.0), 0.0, 2.0)),  # 18 + 18 reaches as far
        (34.0000005, LengthChoice((28.0, 8.0), 0.0, 2.0)),
        (34.1, LengthChoice((28.0, 12.0), 3.9, 2.0)),  # and so does 22 + 18
        (54.0, LengthChoice((28.0, 28.0), 0.0, 2.0)),
    ],
)
def test_lengths_by_hand(length_mm: float, expected: LengthChoice) -> None:
    got = choose_lengths(length_mm, (28.0, 22.0, 18.0, 12.0, 8.0))
    assert got.lengths_mm == expected.lengths_mm
    assert got.over_mm == pytest.approx(expected.over_mm, abs=1e-9)
    assert got.overlap_mm == expected.overlap_mm


# ------------------------------------------------------------------------------------------------ methods


def by_id(references: References, length_mm: float = 15.0, devices: list[Device] = DEVICES) -> dict[str, MethodResult]:
    return {result.method.id: result for result in apply_methods(references, devices, length_mm)}


def test_methods_round_in_the_direction_that_they_state() -> None:
    words = {method.id: (method.rounding, method.balloon, method.needs) for method in METHODS}
    assert words == {
        "distal-lumen": (Rounding.UP, False, ("distal_lumen",)),
        "mean-lumen": (Rounding.NEAREST, False, ("distal_lumen", "proximal_lumen")),
        "largest-lumen": (Rounding.NEAREST, False, ("distal_lumen", "proximal_lumen")),
        "distal-eem": (Rounding.DOWN, False, ("distal_eem",)),
        "smaller-eem": (Rounding.DOWN, False, ("distal_eem", "proximal_eem")),
        "mid-wall": (Rounding.NEAREST, False, ("distal_lumen", "distal_eem")),
        "proximal-eem": (Rounding.DOWN, True, ("proximal_eem",)),
        "lesion-media": (Rounding.NEAREST, True, ("lesion_eem",)),
        "distal-eem-remodelled": (Rounding.NEAREST, True, ("distal_eem", "remodelling_distal")),
    }


def test_draws_go_through_the_methods() -> None:
    """Lumens 2.6 and 3.4 (two draws each): the mean is 3.0, the larger 3.4; EEMs 3.9 and 3.3: the smaller 3.3."""
    references = References(
        Measured(2.6, np.array([2.5, 2.7])),
        Measured(3.4, np.array([3.1, 3.7])),
        Measured(3.9, np.array([3.8, 4.0])),
        Measured(3.3, np.array([3.3, 3.9])),
        Measured(3.6, np.array([3.6, 3.7])),
        Measured(1.2, np.array([1.0, 1.3])),
        360.0,
        360.0,
    )
    got = {name: (result.measured.value, result.measured.draws.tolist()) for name, result in by_id(references).items()}  # type: ignore[union-attr]
    assert {name: value for name, (value, _) in got.items()} == pytest.approx(
        {
            "distal-lumen": 2.6,
            "mean-lumen": 3.0,
            "largest-lumen": 3.4,
            "distal-eem": 3.9,
            "smaller-eem": 3.3,
            "mid-wall": 3.25,
            "proximal-eem": 3.3,
            "lesion-media": 3.6,
            "distal-eem-remodelled": 3.9,
        }
    )
    draws = {name: values for name, (_, values) in got.items()}
    assert draws["mean-lumen"] == pytest.approx([2.8, 3.2])
    assert draws["largest-lumen"] == pytest.approx([3.1, 3.7])
    assert draws["smaller-eem"] == pytest.approx([3.3, 3.9])
    assert draws["mid-wall"] == pytest.approx([3.15, 3.35])
    assert draws["distal-eem-remodelled"] == pytest.approx([4.0])  # the other draw is not remodelled
    partly = by_id(replace(references, proximal_lumen=Measured(3.4)))
    assert partly["mean-lumen"].measured.draws is None
    assert partly["mean-lumen"].sizes is None
    never = by_id(replace(references, remodelling_distal=Measured(1.2, np.array([1.0, 1.05]))))
    assert never["distal-eem-remodelled"].measured.draws is None
    assert never["distal-eem-remodelled"].rounded.diameter_mm == 4.0


def test_the_record_of_a_method() -> None:
    draws = np.linspace(2.8, 3.2, 401)
    record = by_id(replace(NOTHING, distal_lumen=Measured(3.0, draws)))["distal-lumen"].as_json()
    assert record["measured_mm"] == 3.0
    assert record["measured_sd_mm"] == pytest.approx(draws.std())
    assert (record["measured_low_mm"], record["measured_high_mm"]) == pytest.approx((2.81, 3.19))
    assert record["diameter_mm"] == 3.0
    assert record["neighbours_mm"] == [3.0, 3.0]
    assert record["rounding"] == "up by 0 to 0.25 mm, to the device list"
    assert record["for"] == "stent"
    assert record["remark"] is None
    # Draws from 2.8 to 3.0 take 3.0, which are 206 of 401 as hundredths; none lies within 0.25 mm below 3.5.
    assert record["sizes"] == {"3": pytest.approx(206 / 401)}
    missing = by_id(NOTHING)["proximal-eem"].as_json()
    assert [missing[name] for name in ("measured_mm", "measured_sd_mm", "measured_low_mm", "measured_high_mm")] == [
        None
    ] * 4
    assert missing["for"] == "balloon"
    assert missing["sizes"] is None
    assert missing["device"] is None
    assert missing["neighbours_mm"] == [None, None]
    assert missing["remark"] == "not assessable: proximal eem not measurable"
    assert by_id(NOTHING)["mean-lumen"].remark == "not assessable: distal lumen, proximal lumen not measurable"


def test_chances_above_one_percent_are_told() -> None:
    draws = np.repeat([2.5, 3.0, 3.5], [1, 2, 97])
    got = by_id(replace(NOTHING, distal_eem=Measured(3.5, draws)))["distal-eem"]
    assert got.sizes == {3.0: pytest.approx(0.02), 3.5: pytest.approx(0.97)}
    # Draws are rounded to hundredths first: 3.0051 and 2.9951 both count as the size 3.0 of their own hundredth.
    near = by_id(replace(NOTHING, distal_eem=Measured(3.0, np.array([2.9951, 3.0049]))))["distal-eem"]
    assert near.sizes == {3.0: 1.0}


def test_no_size_within_the_rule_names_what_there_is() -> None:
    def remark(measured_mm: float, sizes: tuple[float, ...]) -> str | None:
        references = replace(NOTHING, distal_lumen=Measured(measured_mm), distal_eem=Measured(measured_mm))
        found = by_id(references, devices=[Device(size, 18.0) for size in sizes])
        return found["distal-lumen"].remark if measured_mm > 2 else found["distal-eem"].remark

    assert remark(3.1, (3.0, 3.5)) == "no size within the rule; neighbours: 3 mm, 3.5 mm"
    assert remark(3.6, (3.0, 3.5)) == "no size within the rule; neighbours: 3.5 mm"
    assert remark(1.9, (3.0, 3.5)) == "no size within the rule; neighbours: 3 mm"
    assert remark(3.6, ()) == "no size within the rule; neighbours: none"


def test_the_shortest_device_of_that_diameter_that_covers() -> None:
    mixed = [Device(3.0, 28.0), Device(3.0, 18.0, 3.5), Device(3.0, 18.0, 3.75), Device(3.5, 15.0), Device(3.5, 38.0)]
    references = replace(NOTHING, distal_lumen=Measured(3.0))

    def device(length_mm: float) -> Device | None:
        return by_id(references, length_mm, mixed)["distal-lumen"].device

    assert device(15.0) == Device(3.0, 18.0, 3.5)
    assert device(18.0) == Device(3.0, 18.0, 3.5)
    assert device(18.5) == Device(3.0, 28.0)
    assert device(28.5) is None  # two of them would be needed
    assert device(90.0) is None
    assert device(math.nan) is None
    assert by_id(replace(NOTHING, distal_lumen=Measured(3.1)), 15.0, mixed)["distal-lumen"].device is None


@pytest.mark.parametrize(
    ("distal_deg", "proximal_deg", "applies"), [(180.0, 180.0, True), (179.9, 360.0, False), (360.0, 179.9, False)]
)
def test_both_arcs_must_be_seen(distal_deg: float, proximal_deg: float, applies: bool) -> None:
    references = replace(
        NOTHING,
        distal_eem=Measured(3.6),
        proximal_eem=Measured(3.2),
        distal_eem_seen_deg=distal_deg,
        proximal_eem_seen_deg=proximal_deg,
    )
    assert (by_id(references)["smaller-eem"].rounded.diameter_mm == 3.0) is applies


# ------------------------------------------------------------------------------------------------ notes


PROFILE = vessel()
CALM = CalciumSummary(0.0, (0.0, 0.0, 0.0, 0.0), 0.0, {"a": False, "b": False})
BOTH = {
    Side.DISTAL: chosen_landing(PROFILE, Side.DISTAL, 15.0),
    Side.PROXIMAL: chosen_landing(PROFILE, Side.PROXIMAL, 45.0),
}
KNOWN = SharedUncertainty(0.02, 0.05, 0.3, 2.0, 1.0)


def notes(**options: object) -> list[str]:
    references = options.get("references", NOTHING)
    methods = apply_methods(references, DEVICES, 15.0)  # type: ignore[arg-type]
    given = {
        "profile": PROFILE,
        "shared": KNOWN,
        "lesion": None,
        "landings": BOTH,
        "references": references,
        "methods": [replace(methods[0], measured=Measured(3.0, np.array([3.0])))],
        "choice": LengthChoice((18.0,), 2.04),
        "calcium": CALM,
        "devices": DEVICES,
        **options,
    }
    return list(plan_notes(**given))  # type: ignore[arg-type]


LENGTH = "the next device length reaches 2.0 mm beyond the proximal landing"


def test_a_plan_without_anything_to_add_states_the_length_only() -> None:
    assert notes() == [LENGTH]


def test_notes_on_lengths() -> None:
    assert notes(choice=None) == ["no length: it needs both landings"]
    assert notes(choice=LengthChoice((), math.nan)) == ["longer than two of the longest devices of the list"]
    (two,) = notes(choice=LengthChoice((28.0, 12.0), 1.0, 2.0))
    assert "two devices with 2 mm overlap (usual: 1 to 3 mm" in two


def test_notes_on_landings_come_first_distal_before_proximal() -> None:
    remark = Landing(Side.PROXIMAL, BOTH[Side.PROXIMAL].site, None, False, ("one", "two"))
    assert notes(landings={Side.PROXIMAL: remark}) == [
        "no distal landing: the run shows no suitable place; one-sided methods only",
        "proximal landing: one",
        "proximal landing: two",
        "proximal reference: none within 5 mm outside the landing",
        LENGTH,
    ]


@pytest.mark.parametrize(
    ("distal_mm", "proximal_mm", "differ_mm"),
    [(3.0, 4.0, None), (3.0, 4.01, "1.01"), (4.5, 3.0, "1.50"), (math.nan, 4.5, None)],
)
def test_a_note_on_tapering_above_a_millimetre(distal_mm: float, proximal_mm: float, differ_mm: str | None) -> None:
    got = notes(references=replace(NOTHING, distal_lumen=Measured(distal_mm), proximal_lumen=Measured(proximal_mm)))
    assert (len(got) == 2) is (differ_mm is not None)
    if differ_mm is not None:
        assert got[1].startswith(f"the reference lumens differ by {differ_mm} mm: one diameter cannot serve both")


@pytest.mark.parametrize(("eem_mm", "told"), [(3.75, False), (3.76, True)])
def test_a_note_on_post_dilatation_limits(eem_mm: float, told: bool) -> None:
    devices = [Device(3.0, 18.0), Device(3.0, 12.0, 3.75), Device(3.5, 18.0, 4.5)]
    got = notes(references=replace(NOTHING, proximal_eem=Measured(eem_mm)), devices=devices)
    assert got[1].startswith(f"the proximal reference's mean EEM diameter is {eem_mm:.2f} mm")
    assert (got[2:] == ["some devices of the list may not be post-dilated that far: see their limits"]) is told
    assert len(notes(references=replace(NOTHING, proximal_eem=Measured(9.0)))) == 2  # no limits are stated
    assert notes(devices=devices) == [LENGTH]  # no EEM


@pytest.mark.parametrize(
    ("arc_deg", "points", "words"),
    [
        (math.nan, {"a": None}, "calcium was not assessed"),
        (200.0, {"a": True, "b": False, "c": False}, "calcium score 1 of 4"),
        (200.0, {"a": True, "b": None}, "calcium score 1 to 2 of 4"),
        (200.0, {"a": False, "b": None}, "calcium score 0 to 1 of 4"),
        (300.0, {"a": True, "b": True}, "severe calcium (score 2 of 4;"),
        (300.0, {"a": True, "b": True, "c": None}, "severe calcium (score 2 to 3 of 4;"),
    ],
)
def test_notes_on_calcium(arc_deg: float, points: dict[str, bool | None], words: str) -> None:
    got = notes(calcium=CalciumSummary(arc_deg, (0.0, 0.0, 0.0, 0.0), 0.0, points))
    assert got[0] == LENGTH
    assert len(got) == 2
    assert got[1].startswith(words)


def test_notes_on_what_was_left_out() -> None:
    readings = table()
    lesion = lesion_to_cover(profile_from_table(readings))
    assert lesion is not None
    first, last = lesion.first_row, lesion.last_row
    readings.loc[[first - 1, first, first + 1, last, last + 1], "eem_area_mm2"] = np.nan
    readings.loc[first + 1, "n_frames"] = 0  # interpolated: not a lumen whose EEM is missing
    readings.loc[500:506, "flags"] = "branch"
    found = profile_from_table(readings)
    hidden = "EEM not measurable over 0.2 mm of the lesion: left out, not filled"
    branches = "side branches over 0.7 mm of the run: no reference is taken there"
    assert notes(profile=found, lesion=lesion) == [LENGTH, hidden, branches]
    assert notes(profile=found) == [LENGTH, branches]
    assert notes(lesion=lesion) == [LENGTH]


def test_notes_on_uncertainties() -> None:
    results = apply_methods(replace(NOTHING, distal_lumen=Measured(3.0)), DEVICES, 15.0)
    none = "the profile states no uncertainty of its areas: values carry no interval"
    assert notes(methods=results) == [LENGTH, none]
    shared = SharedUncertainty(None, None, 0.3)
    assert notes(shared=shared) == [
        LENGTH,
        "not in the intervals, because not known: calibration, length scale of the axis",
    ]
