"""X-ray runs: scale at the isocentre by hand from PS3.3 C.8.7.5, views, clocks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_builders import EXPLICIT, XA_IMAGE, speckle, write

from boreline.errors import InputRefused
from boreline.reading import read_run, read_xray
from boreline.reading.xray import RadiationSetting, XrayRun, XrayScaleOrigin

GEOMETRY: dict[str, Any] = {
    "SOPClassUID": XA_IMAGE,
    "Modality": "XA",
    "RadiationSetting": "SC",
    "PixelIntensityRelationship": "DISP",
    "SequenceOfUltrasoundRegions": None,
    "ImagerPixelSpacing": [0.32, 0.3],
    "DistanceSourceToDetector": "1000",
    "DistanceSourceToPatient": "750",
    "PositionerMotion": "STATIC",
    "PositionerPrimaryAngle": "30.5",
    "PositionerSecondaryAngle": "-20",
}


def run_of(tmp_path: Path, **changes: Any) -> XrayRun:
    return read_xray(write(tmp_path / "xa.dcm", speckle(4), EXPLICIT, **(GEOMETRY | changes)))


def test_scale_at_the_isocentre_by_hand(tmp_path: Path) -> None:
    # Rows first: 0.32 mm down, 0.30 mm across at the detector; x 750 / 1000.
    scale = run_of(tmp_path).scale
    assert scale is not None
    assert scale.mm_per_px_x == pytest.approx(0.225)
    assert scale.mm_per_px_y == pytest.approx(0.24)
    assert scale.origin is XrayScaleOrigin.ISOCENTRE


def test_magnification_factor_alone(tmp_path: Path) -> None:
    run = run_of(tmp_path, DistanceSourceToPatient=None, EstimatedRadiographicMagnificationFactor="1.25")
    assert run.scale is not None
    assert run.scale.mm_per_px_x == pytest.approx(0.24)


@pytest.mark.parametrize(("stated", "lossy"), [(None, False), ("00", False), ("01", True)])
def test_loss_before_this_file_is_told(tmp_path: Path, stated: str | None, lossy: bool) -> None:
    """Lossy Image Compression (0028,2110) stays 01 once pixels were compressed so (PS3.3 C.7.6.1.1.5)."""
    assert run_of(tmp_path, LossyImageCompression=stated).lossy is lossy


def test_contradicting_magnification_is_a_warning(tmp_path: Path) -> None:
    run = run_of(tmp_path, EstimatedRadiographicMagnificationFactor="1.5")
    assert run.scale is not None
    assert run.scale.mm_per_px_x == pytest.approx(0.225)
    assert any("contradicts the distances" in note for note in run.warnings)


@pytest.mark.parametrize("kind", ["FIDUCIAL", "GEOMETRY"])
def test_calibrated_pixel_spacing_stands_as_it_is(tmp_path: Path, kind: str) -> None:
    run = run_of(tmp_path, PixelSpacing=[0.2, 0.21], PixelSpacingCalibrationType=kind)
    assert run.scale is not None
    assert (run.scale.mm_per_px_x, run.scale.mm_per_px_y) == (0.21, 0.2)
    assert run.scale.origin.value == kind.lower()


def test_pixel_spacing_without_a_type_is_not_a_calibration(tmp_path: Path) -> None:
    run = run_of(tmp_path, PixelSpacing=[0.32, 0.3])
    assert run.scale is not None
    assert run.scale.origin is XrayScaleOrigin.ISOCENTRE


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"ImagerPixelSpacing": None}, "ImagerPixelSpacing is missing"),
        ({"DistanceSourceToPatient": None}, "neither the source distances nor the magnification"),
        ({"DistanceSourceToPatient": "0"}, "neither the source distances"),
    ],
)
def test_no_geometry_is_no_scale(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    run = run_of(tmp_path, **changes)
    assert run.scale is None
    assert words in (run.scale_problem or "")


def test_radiation_setting_view_and_motion(tmp_path: Path) -> None:
    run = run_of(tmp_path, TableMotion="DYNAMIC", RWavePointer=[1, 4, 99])
    assert run.radiation is RadiationSetting.FLUOROSCOPY
    assert run.positioner_moves is False
    assert run.table_moves is True
    np.testing.assert_array_equal(run.primary_deg, [30.5] * 4)
    np.testing.assert_array_equal(run.secondary_deg, [-20] * 4)
    np.testing.assert_array_equal(run.r_wave_frames, [0, 3])
    np.testing.assert_allclose(run.timing.r_waves_s, [0, 3 * 0.033333])
    assert run_of(tmp_path, RadiationSetting="GR").radiation is RadiationSetting.CINE
    assert run_of(tmp_path, RadiationSetting=None).radiation is RadiationSetting.UNKNOWN


def test_moving_positioner(tmp_path: Path) -> None:
    steps = run_of(tmp_path, PositionerMotion="DYNAMIC", PositionerPrimaryAngleIncrement="0.5")
    np.testing.assert_allclose(steps.primary_deg, [30.5, 31, 31.5, 32])
    offsets = run_of(tmp_path, PositionerMotion="DYNAMIC", PositionerPrimaryAngleIncrement=[0, 1, 3, 6])
    np.testing.assert_allclose(offsets.primary_deg, [30.5, 31.5, 33.5, 36.5])
    unknown = run_of(tmp_path, PositionerPrimaryAngle=None)
    assert np.isnan(unknown.primary_deg).all()


def test_frames_and_clock(tmp_path: Path) -> None:
    run = run_of(tmp_path, SynchronizationFrameOfReferenceUID="1.2.3", AcquisitionTimeSynchronized="Y")
    np.testing.assert_array_equal(np.array([frame.intensity for frame in run.frames()]), speckle(4))
    assert [frame.number for frame in run.frames(2)] == [2, 3]
    assert run.timing.clock_uid == "1.2.3"
    assert run.timing.acquired_at == "2025-01-02T03:04:05.500000+01:00"


def test_classes_are_not_mixed_up(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="is no X-ray run"):
        read_xray(write(tmp_path / "us.dcm", speckle(2)))
    with pytest.raises(InputRefused, match="is an X-ray run, not a pullback"):
        read_run(write(tmp_path / "xa.dcm", speckle(2), **GEOMETRY))
