"""A catheter's scale from a bench phantom of known sections.

Scanners assume one speed of sound and catheters differ, so measured diameters can be off by several percent
(J Am Soc Echocardiogr 2003;16:277-84: up to 18 % of area by catheter model, cured by an equation). The scale is the
slope of true on measured diameter through the origin. An intercept that differs from zero is reported, because no
scale mends it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from boreline.errors import InputRefused
from boreline.flags import NOT_VESSEL, parse_flags
from boreline.geometry import area_derived_diameter_mm
from boreline.model import FloatArray
from boreline.reading.scale import ScaleEquation
from boreline.results import ResultFolder


@dataclass(frozen=True, slots=True)
class Section:
    """Frames of one analysed run that show a section of known inner diameter; frames count from 1, both included."""

    folder: Path
    first_frame: int
    last_frame: int
    diameter_mm: float


def read_sections(path: Path) -> tuple[Section, ...]:
    """Sections from a CSV with the columns folder, first_frame, last_frame, diameter_mm.

    Raises
    ------
    InputRefused
        A column is missing or a value makes no sense; names the row.
    """
    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as cause:
        raise InputRefused(
            f"cannot be read as CSV: {cause}", file=path, remedy="save it as CSV with commas, in UTF-8"
        ) from None
    missing = {"folder", "first_frame", "last_frame", "diameter_mm"} - set(table.columns)
    if missing:
        raise InputRefused(
            f"lacks the column {min(missing)!r}",
            file=path,
            remedy="the columns are folder, first_frame, last_frame, diameter_mm",
        )
    sections = []
    for number, row in enumerate(table.to_dict("records"), start=2):
        try:
            section = Section(
                path.parent / str(row["folder"]),
                int(row["first_frame"]),
                int(row["last_frame"]),
                float(row["diameter_mm"]),
            )
        except (TypeError, ValueError):
            raise InputRefused(
                f"row {number} holds something that is no number", file=path, remedy="correct the row"
            ) from None
        if not (1 <= section.first_frame <= section.last_frame and 0.2 <= section.diameter_mm <= 30):
            raise InputRefused(
                f"row {number}: frames must rise from 1 and diameters lie in 0.2..30 mm",
                file=path,
                remedy="correct the row",
            )
        sections.append(section)
    return tuple(sections)


def measure_section_mm(section: Section) -> float:
    """Mean area-derived lumen diameter of a section's usable frames.

    Raises
    ------
    InputRefused
        None of its frames was measured.
    """
    frames = ResultFolder.open(section.folder).frames().iloc[section.first_frame - 1 : section.last_frame]
    usable = [not (parse_flags(cell) & NOT_VESSEL) for cell in frames["flags"]]
    area_mm2 = frames["lumen_area_mm2"].to_numpy(dtype=np.float64)[usable]
    area_mm2 = area_mm2[np.isfinite(area_mm2)]
    if not area_mm2.size:
        raise InputRefused(
            f"no frame from {section.first_frame} to {section.last_frame} was measured",
            file=section.folder,
            remedy="state frames in which the lumen was measured",
        )
    return float(area_derived_diameter_mm(np.array([area_mm2.mean()]))[0])


def fit_scale(
    measured_mm: FloatArray, true_mm: FloatArray, *, catheter: str, temperature_c: float | None = None
) -> ScaleEquation:
    """The scale from sections of known diameter.

    Parameters
    ----------
    measured_mm, true_mm
        Shape (n,), n >= 3.

    Raises
    ------
    InputRefused
        Fewer than three sections, or all of one size.
    """
    n = len(measured_mm)
    if n < 3 or np.ptp(true_mm) < 0.2:
        raise InputRefused("a scale needs three sections or more, of different diameters", remedy="add sections")
    factor = float((measured_mm * true_mm).sum() / (measured_mm**2).sum())
    residual = true_mm - factor * measured_mm
    residual_sd = float(np.sqrt((residual**2).sum() / (n - 1)))
    line = stats.linregress(measured_mm, true_mm)
    t = line.intercept / line.intercept_stderr if line.intercept_stderr > 0 else 0.0
    return ScaleEquation(
        catheter=catheter,
        factor=factor,
        factor_sd=float(residual_sd / np.sqrt((measured_mm**2).sum())),
        residual_sd_mm=residual_sd,
        intercept_mm=float(line.intercept),
        intercept_p=float(2 * stats.t.sf(abs(t), n - 2)),
        n_sections=n,
        temperature_c=temperature_c,
    )


def calibrate(sections: Sequence[Section], *, catheter: str, temperature_c: float | None = None) -> ScaleEquation:
    """Measure all sections and fit the scale."""
    measured = np.array([measure_section_mm(section) for section in sections])
    true = np.array([section.diameter_mm for section in sections])
    return fit_scale(measured, true, catheter=catheter, temperature_c=temperature_c)


def write_scale(equation: ScaleEquation, path: Path) -> None:
    """Write the equation as TOML, for `boreline analyse --calibration`."""
    values = {"created_at": datetime.now(UTC).isoformat(timespec="seconds"), **asdict(equation)}
    lines = [f"{name} = {json.dumps(value)}" for name, value in values.items() if value is not None]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
