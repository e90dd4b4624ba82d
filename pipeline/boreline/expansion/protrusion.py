"""Tissue between the struts: where the lumen is smaller than the stent that holds it open.

Area of a frame: stent area minus lumen area (Räber, Eur Heart J 2018;39:3281-3300, from memory). After implantation it
is protruding tissue or thrombus, at follow-up growth. Where struts also stand clear of the wall the lumen reaches
beyond the stent, so the difference of areas is then a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.model import BoolArray, FloatArray, JsonValue
from boreline.profile.record import Profile, stretches

SURE_SCORE = 1.645
"""A row counts when the stent exceeds the lumen by this many standard uncertainties (95 %, one-sided; own choice)."""
DEFINITION = "stent area minus lumen area, where it exceeds its own uncertainty (95 %, one-sided)"
SOURCE = "Räber, Eur Heart J 2018;39:3281-3300 [from memory, verify in the paper]; limit of detection: own choice"


@dataclass(frozen=True, slots=True)
class Protrusion:
    """Tissue inside one stent; without any, zeros and no place (`position_mm` None).

    `length_mm` is that of the longest stretch; `frame` is 0-based; `burden_pct` = 100 x protrusion / stent area there.
    """

    largest_area_mm2: float
    burden_pct: float
    position_mm: float | None
    frame: int | None
    length_mm: float
    volume_mm3: float
    beside_malapposition: bool

    def as_json(self) -> dict[str, JsonValue]:
        """For a document: frame from 1, with definition and source."""
        return {
            "largest_area_mm2": self.largest_area_mm2,
            "largest_burden_pct": self.burden_pct,
            "position_mm": self.position_mm,
            "frame": None if self.frame is None else self.frame + 1,
            "longest_mm": self.length_mm,
            "volume_mm3": self.volume_mm3,
            "lower_bound": self.beside_malapposition,
            "definition": DEFINITION,
            "source": SOURCE,
        }


def tissue_protrusion(profile: Profile, first_row: int, last_row: int, malapposed: BoolArray) -> Protrusion | None:
    """Measure protrusion between two rows; None where no row has both a stent and a lumen.

    Parameters
    ----------
    malapposed
        Shape (n_rows,): struts stand clear of the wall.
    """
    inside = np.zeros(profile.n_rows, dtype=bool)
    inside[first_row : last_row + 1] = True
    inside &= profile.stented & profile.measured
    if not inside.any():
        return None
    area = _protruding_mm2(profile, inside)
    row = int(np.argmax(area))
    if area[row] == 0:
        return Protrusion(0.0, 0.0, None, None, 0.0, 0.0, beside_malapposition=False)
    step = profile.step_mm
    return Protrusion(
        float(area[row]),
        float(100.0 * area[row] / profile.stent_area_mm2[row]),
        float(profile.position_mm[row]),
        int(profile.frame[row]),
        max(stop - start for start, stop in stretches(area > 0)) * step,
        float(area.sum() * step),
        beside_malapposition=bool(np.any(malapposed & (area > 0))),
    )


def _protruding_mm2(profile: Profile, inside: BoolArray) -> FloatArray:
    difference = np.where(inside, profile.stent_area_mm2 - profile.lumen_area_mm2, 0.0)
    spread = np.hypot(profile.stent_area_sd_mm2, profile.lumen_area_sd_mm2)
    limit = SURE_SCORE * np.where(np.isfinite(spread), spread, 0.0)
    return np.asarray(np.where(difference > limit, difference, 0.0))
