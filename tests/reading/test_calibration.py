"""The cross-section and its scale, by hand from PS3.3 C.8.5.5; refusals and overrides."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from dicom_builders import COLUMNS, ROWS, region, speckle, write

from boreline.errors import InputRefused
from boreline.model import CalibrationOrigin, Region, Run
from boreline.reading import read_run

WHOLE = Region(0, 0, COLUMNS - 1, ROWS - 1)


def run_of(tmp_path: Path, *regions: Any, options: dict[str, Any] | None = None, **changes: Any) -> Run:
    path = write(tmp_path / "run.dcm", speckle(2), SequenceOfUltrasoundRegions=list(regions), **changes)
    return read_run(path, **(options or {}))


def refusal(tmp_path: Path, *regions: Any, **changes: Any) -> str:
    with pytest.raises(InputRefused) as caught:
        run_of(tmp_path, *regions, **changes)
    assert "run.dcm" in str(caught.value)
    return str(caught.value)


def test_scale_and_centre_by_hand(tmp_path: Path) -> None:
    # PS3.3 C.8.5.5.1.15: delta in the region's units, cm here. 0.0123 cm = 0.123 mm across, 0.0101 cm = 0.101 mm down.
    # C.8.5.5.1.10: the reference pixel counts from the region's corner: (2 + 30, 1 + 20).
    run = run_of(
        tmp_path,
        region(
            PhysicalDeltaX=0.0123,
            PhysicalDeltaY=0.0101,
            RegionLocationMinX0=2,
            RegionLocationMinY0=1,
            ReferencePixelX0=30,
            ReferencePixelY0=20,
            TransducerFrequency=40000,
        ),
    )
    assert run.calibration.mm_per_px_x == pytest.approx(0.123, rel=1e-12)
    assert run.calibration.mm_per_px_y == pytest.approx(0.101, rel=1e-12)
    assert run.calibration.origin is CalibrationOrigin.REGION
    assert run.region == Region(2, 1, COLUMNS - 1, ROWS - 1)
    assert run.centre_px == (32.0, 21.0)
    assert run.source.transducer_frequency_mhz == 40.0


def test_cross_section_is_told_from_strip_trace_and_bars(tmp_path: Path) -> None:
    strip = region(RegionLocationMinY0=40, PhysicalUnitsXDirection=4, PhysicalDeltaX=0.01)
    strip_in_cm = region(RegionLocationMinY0=41, PhysicalDeltaX=0.001)
    trace = region(RegionSpatialFormat=4, RegionDataType=0xA, PhysicalUnitsXDirection=4, PhysicalDeltaY=0.0)
    grey_bar = region(RegionSpatialFormat=0, RegionDataType=0xD, PhysicalUnitsXDirection=0, PhysicalUnitsYDirection=0)
    picture = region(RegionLocationMaxX1=45, RegionLocationMaxY1=39, PhysicalDeltaX=0.011)
    run = run_of(tmp_path, grey_bar, trace, strip, strip_in_cm, picture, options={"trust_region": True})
    assert run.region == Region(0, 0, 45, 39)
    assert run.calibration.mm_per_px_x == pytest.approx(0.11)
    assert "[5]" in run.calibration.detail


def test_one_pixel_beyond_is_clipped_and_two_are_refused(tmp_path: Path) -> None:
    run = run_of(tmp_path, region(RegionLocationMaxX1=COLUMNS))
    assert run.region == WHOLE
    assert any("clipped" in note for note in run.warnings)
    line = refusal(tmp_path, region(RegionLocationMaxX1=COLUMNS + 1))
    assert "RegionLocationMaxX1: region 1 ends at 65, beyond the picture's last pixel 63" in line
    assert "--mm-per-pixel" in line


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"PhysicalDeltaX": 0.0}, "PhysicalDeltaX: region 1: the size of a pixel is 0"),
        ({"PhysicalDeltaY": -0.01}, "PhysicalDeltaY: region 1: the size of a pixel is -0.01"),
        ({"PhysicalDeltaX": float("nan")}, "PhysicalDeltaX: nan is not a finite number"),
        ({"PhysicalDeltaX": float("inf")}, "PhysicalDeltaX: inf is not a finite number"),
        ({"PhysicalDeltaY": None}, "PhysicalDeltaY: region 1: the size of a pixel is missing"),
        ({"PhysicalUnitsXDirection": 4}, "PhysicalUnitsXDirection: the cross-section's units are 4 and 3, not 3 (cm)"),
        ({"PhysicalUnitsYDirection": 0}, "units are 3 and 0"),
        ({"RegionLocationMaxX1": 0}, "region 1 is empty"),
        ({"RegionLocationMinY0": None}, "RegionLocationMinY0: region 1: missing"),
        ({"RegionSpatialFormat": 3}, "none of 1 regions is a 2D picture of tissue"),
        ({"PhysicalDeltaX": 0.1, "PhysicalDeltaY": 0.1}, "63 to 100"),
    ],
)
def test_an_impossible_region_is_refused(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    if words == "63 to 100":
        # 64 x 48 pixels of 1 mm are a plausible field; of 2 mm (128 mm) they are not.
        assert run_of(tmp_path, region(**changes)).region == WHOLE
        line = refusal(tmp_path, region(PhysicalDeltaX=0.2, PhysicalDeltaY=0.2))
        assert "128 x 96 mm, no intravascular field of view (4 to 100 mm)" in line
        assert "--trust-region" in line
        return
    line = refusal(tmp_path, region(**changes))
    assert words in line
    assert line.count("\n") == 0


def test_no_region_names_the_override(tmp_path: Path) -> None:
    line = refusal(tmp_path)
    assert "(0018,6011) SequenceOfUltrasoundRegions: no calibrated ultrasound region" in line
    assert "--mm-per-pixel X[,Y]" in line


def test_a_pixel_spacing_alone_is_offered_but_not_believed(tmp_path: Path) -> None:
    assert "(0028,0030) PixelSpacing says 0.02,0.03 but not of what" in refusal(tmp_path, PixelSpacing=[0.03, 0.02])


def test_two_scales_that_disagree_need_trust(tmp_path: Path) -> None:
    # Pixel Spacing is row spacing first (PS3.3 10.7.1.3): y 0.102 mm, x 0.1 mm; 2 % off the region's 0.1.
    line = refusal(tmp_path, region(), PixelSpacing=[0.102, 0.1])
    assert "PixelSpacing: 0.1 x 0.102 mm contradicts the ultrasound region's 0.1 x 0.1 mm" in line
    assert "--trust-region" in line
    run = run_of(tmp_path, region(), options={"trust_region": True}, PixelSpacing=[0.102, 0.1])
    assert run.calibration.mm_per_px_y == pytest.approx(0.1)
    assert run.parameters == {"trust_region": True}
    assert any("--trust-region" in note for note in run.warnings)
    agreeing = run_of(tmp_path, region(), PixelSpacing=[0.1009, 0.1])
    assert agreeing.warnings == ()


def test_two_regions_of_different_scale(tmp_path: Path) -> None:
    left = region(RegionLocationMaxX1=40, RegionLocationMaxY1=40)
    right = region(RegionLocationMinY0=8, RegionLocationMaxX1=40, PhysicalDeltaX=0.012, PhysicalDeltaY=0.012)
    assert "regions 1 and 2 have different scales" in refusal(tmp_path, left, right)
    run = run_of(tmp_path, left, right, options={"trust_region": True})
    assert run.calibration.mm_per_px_x == pytest.approx(0.1)


def test_two_equal_views_ask_and_a_repeated_item_does_not(tmp_path: Path) -> None:
    left = region(RegionLocationMaxX1=40, RegionLocationMaxY1=40)
    right = region(RegionLocationMinX0=20, RegionLocationMaxX1=60, RegionLocationMaxY1=40)
    assert "two equal cross-sections" in refusal(tmp_path, left, right)
    assert run_of(tmp_path, left, left).warnings == ()


def test_operators_scale_replaces_the_files_and_is_recorded(tmp_path: Path) -> None:
    run = run_of(tmp_path, region(RegionLocationMaxX1=50), options={"mm_per_px": (0.02, 0.026)})
    assert (run.calibration.mm_per_px_x, run.calibration.mm_per_px_y) == (0.02, 0.026)
    assert run.calibration.origin is CalibrationOrigin.OPERATOR
    assert run.parameters == {"mm_per_px": [0.02, 0.026]}
    assert run.region == Region(0, 0, 50, ROWS - 1)
    assert any("replaces the file's own 0.1,0.1" in note for note in run.warnings)


def test_operators_scale_without_any_region_takes_the_whole_picture(tmp_path: Path) -> None:
    run = run_of(tmp_path, options={"mm_per_px": (0.1, 0.1)})
    assert run.region == WHOLE
    stale = run_of(tmp_path, region(RegionLocationMaxX1=500), options={"mm_per_px": (0.1, 0.1)})
    assert stale.region == WHOLE
    assert any("beyond the picture" in note for note in stale.warnings)


@pytest.mark.parametrize("scale", [(0.0, 0.1), (-1.0, 1.0), (float("nan"), 0.1), (float("inf"), 0.1)])
def test_an_impossible_operators_scale_is_refused(tmp_path: Path, scale: tuple[float, float]) -> None:
    with pytest.raises(InputRefused, match="--mm-per-pixel"):
        run_of(tmp_path, region(), options={"mm_per_px": scale})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"DepthOfScanField": 9}, "DepthOfScanField 9 mm does not fit a field of 4.8 mm"),
        ({"PixelAspectRatio": [4, 3]}, "PixelAspectRatio 1.333 contradicts the region's pixels (1)"),
    ],
)
def test_contradicting_hints_are_warnings(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    assert any(words in note for note in run_of(tmp_path, region(), **changes).warnings)


def test_far_from_square_pixels_are_kept_and_named(tmp_path: Path) -> None:
    run = run_of(tmp_path, region(PhysicalDeltaY=0.013))
    assert run.calibration.mm_per_px_y == pytest.approx(0.13)
    assert any("far from square" in note for note in run.warnings)


def test_modality_is_a_hint(tmp_path: Path) -> None:
    assert run_of(tmp_path, region(), Modality="US").region == WHOLE
    assert run_of(tmp_path, region(), SOPClassUID="1.2.840.10008.5.1.4.1.1.7.2").region == WHOLE
