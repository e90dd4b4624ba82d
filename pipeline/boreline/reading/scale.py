"""A catheter's scale equation, as `boreline benchmark calibrate` fits it to a bench phantom of known sections."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Calibration, CalibrationOrigin

LARGEST_CORRECTION = 0.25
"""A factor further from 1 is refused: published systems differ by up to 18 % in area, 9 % in diameter."""


_REMEDY = "give the file that 'boreline benchmark calibrate' wrote, as it is"


@dataclass(frozen=True, slots=True)
class ScaleEquation:
    """True length = `factor` x measured length.

    Attributes
    ----------
    catheter
        As the operator calls it.
    factor, factor_sd
        Slope of true on measured diameter through the origin, and its standard uncertainty.
    residual_sd_mm
        Scatter of the sections about the line.
    intercept_mm, intercept_p
        Of the free line, and the chance of so large an intercept if the true one were 0.
    n_sections
        Sample size.
    temperature_c
        Of the bench water as stated by the operator; None when not stated.
    """

    catheter: str
    factor: float
    factor_sd: float
    residual_sd_mm: float
    intercept_mm: float
    intercept_p: float
    n_sections: int
    temperature_c: float | None = None


def read_scale(path: Path) -> ScaleEquation:
    """The equation in a TOML file.

    Raises
    ------
    InputRefused
        The file cannot be read, a key is missing or unknown, or the factor is no plausible correction.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as cause:
        raise InputRefused(f"cannot be read as TOML: {cause}", file=path, tag="--calibration", remedy=_REMEDY) from None
    values.pop("created_at", None)
    known = {field.name for field in fields(ScaleEquation)}
    wrong = sorted((set(values) ^ known) - {"temperature_c"})
    if wrong:
        raise InputRefused(
            f"the key {wrong[0]!r} is missing or unknown", file=path, tag="--calibration", remedy=_REMEDY
        )
    equation = ScaleEquation(**values)
    numbers = (equation.factor, equation.factor_sd)
    if not all(isinstance(number, int | float) and np.isfinite(number) and number >= 0 for number in numbers):
        raise InputRefused(
            "factor and factor_sd must be finite numbers of at least 0",
            file=path,
            tag="--calibration",
            remedy=_REMEDY,
        )
    if abs(equation.factor - 1.0) > LARGEST_CORRECTION:
        raise InputRefused(
            f"a factor of {equation.factor:g} is no plausible correction",
            file=path,
            tag="--calibration",
            remedy=f"it may differ from 1 by {LARGEST_CORRECTION:g}: measure the phantom again",
        )
    return equation


def apply_scale(calibration: Calibration, equation: ScaleEquation, path: Path) -> Calibration:
    """`calibration` corrected by the equation, which its origin then names."""
    return replace(
        calibration,
        mm_per_px_x=calibration.mm_per_px_x * equation.factor,
        mm_per_px_y=calibration.mm_per_px_y * equation.factor,
        origin=CalibrationOrigin.PHANTOM_EQUATION,
        detail=f"{calibration.detail}, times {equation.factor:.5f} ({path.name}, {equation.n_sections} sections)",
        relative_sd=equation.factor_sd / equation.factor,
    )
