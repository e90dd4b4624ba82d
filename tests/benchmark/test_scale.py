"""A catheter's scale: fitted, written, read and applied."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from boreline.benchmark.scale import fit_scale, read_sections, write_scale
from boreline.errors import InputRefused
from boreline.model import Calibration, CalibrationOrigin
from boreline.reading.scale import apply_scale, read_scale

TRUE_MM = np.array([1.51, 2.03, 3.04, 4.04, 5.04])
"""Cylinder diameters of a published accuracy study (six IVUS systems; diameter errors -2.9 to +8.0 %)."""


def test_a_pure_scale_error_is_recovered_exactly() -> None:
    equation = fit_scale(TRUE_MM * 1.039, TRUE_MM, catheter="bench")
    assert equation.factor == pytest.approx(1 / 1.039)
    assert equation.factor_sd == pytest.approx(0.0, abs=1e-9)
    assert equation.intercept_mm == pytest.approx(0.0, abs=1e-9)


def test_an_offset_shows_as_an_intercept() -> None:
    rng = np.random.default_rng(1)
    equation = fit_scale(TRUE_MM + 0.15 + rng.normal(0, 0.005, 5), TRUE_MM, catheter="bench")
    assert equation.intercept_mm == pytest.approx(-0.15, abs=0.03)
    assert equation.intercept_p < 0.01


def test_the_stated_uncertainty_covers_the_true_scale() -> None:
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(400):
        equation = fit_scale(TRUE_MM * 1.03 + rng.normal(0, 0.02, 5), TRUE_MM, catheter="bench")
        hits += abs(equation.factor - 1 / 1.03) < 2.776 * equation.factor_sd  # t, 4 degrees of freedom
    assert 0.92 < hits / 400 < 0.98


def test_an_equation_survives_its_file_and_scales_a_calibration(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    equation = fit_scale(TRUE_MM * 1.02, TRUE_MM, catheter='40 MHz "new"', temperature_c=20.0)
    write_scale(equation, path)
    assert read_scale(path) == equation
    calibration = apply_scale(Calibration(0.02, 0.026, CalibrationOrigin.REGION, "tag"), equation, path)
    assert calibration.mm_per_px_x == pytest.approx(0.02 / 1.02)
    assert calibration.mm_per_px_y == pytest.approx(0.026 / 1.02)
    assert calibration.origin is CalibrationOrigin.PHANTOM_EQUATION
    assert "bench.toml" in calibration.detail


@pytest.mark.parametrize("text", ["factor = 1.0", "factor = 'x'\n", "= 3", "nonsense = 1"])
def test_a_damaged_equation_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text)
    with pytest.raises(InputRefused, match=r"bench\.toml"):
        read_scale(path)


def test_an_implausible_factor_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    write_scale(fit_scale(TRUE_MM * 2, TRUE_MM, catheter="bench"), path)
    with pytest.raises(InputRefused, match="plausible"):
        read_scale(path)


def test_too_few_sections_are_refused() -> None:
    with pytest.raises(InputRefused, match="three sections"):
        fit_scale(TRUE_MM[:2], TRUE_MM[:2], catheter="bench")


def test_a_section_list_with_a_wrong_row_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sections.csv"
    path.write_text("folder,first_frame,last_frame,diameter_mm\na,1,20,3.0\nb,20,1,3.0\n")
    with pytest.raises(InputRefused, match="row 3"):
        read_sections(path)
