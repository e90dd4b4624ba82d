"""Calcium along a profile: arcs, grades, lengths, and the published score that predicts underexpansion.

Score (Zhang M, EuroIntervention 2021;17:e289-98, from memory, verify in the paper), one point each: superficial arc
above 270 degrees over more than 5 mm; a frame of 360 degrees; a calcified nodule; a vessel below 3.5 mm. Two or more
points predict underexpansion. A profile holds arcs without depth, so all calcium counts as superficial here: the
score is an upper bound in that point. A nodule is what the operator says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from boreline.model import FloatArray, JsonValue
from boreline.profile.record import Profile, stretches

SOURCE = "Zhang M, EuroIntervention 2021;17:e289-98 [from memory, verify in the paper]"
FULL_RING_DEG = 359.5  # arcs are sums of sectors: a full ring may miss a rounding
SEVERE_POINTS = 2


@dataclass(frozen=True, slots=True)
class CalciumSummary:
    """Calcium between two rows; a point of the score is None when its input is not known.

    `length_by_grade_mm` holds the length with at least grade 1, 2, 3 and 4: an arc in so many quadrants, 1 up to 90,
    2 up to 180, 3 up to 270, 4 up to 360 degrees (from memory).
    """

    max_arc_deg: float
    length_by_grade_mm: tuple[float, float, float, float]
    longest_over_270_mm: float
    points: dict[str, bool | None]

    @property
    def score(self) -> tuple[int, int] | None:
        """Lowest and highest possible score; None when the arcs were not assessed."""
        if not math.isfinite(self.max_arc_deg):
            return None
        certain = sum(point is True for point in self.points.values())
        return certain, certain + sum(point is None for point in self.points.values())

    @property
    def severe(self) -> bool | None:
        """Score of at least 2; None while an unknown point decides."""
        if self.score is None:
            return None
        low, high = self.score
        if low >= SEVERE_POINTS:
            return True
        return False if high < SEVERE_POINTS else None

    def as_json(self) -> dict[str, JsonValue]:
        """For a document; NaN as None."""
        return {
            "max_arc_deg": self.max_arc_deg if math.isfinite(self.max_arc_deg) else None,
            "length_by_grade_mm": dict(zip(("1", "2", "3", "4"), self.length_by_grade_mm, strict=True)),
            "longest_over_270_mm": self.longest_over_270_mm,
            "points": self.points,
            "score": None if self.score is None else list(self.score),
            "severe": self.severe,
            "source": SOURCE,
        }


def summarise_calcium(profile: Profile, first_row: int, last_row: int, *, nodule: bool | None = None) -> CalciumSummary:
    """Calcium between two rows (inclusive).

    Parameters
    ----------
    nodule
        A calcified nodule was seen (operator); None when nobody said.
    """
    rows = slice(first_row, last_row + 1)
    arcs = profile.calcium_arc_deg[rows]
    over_270 = [(stop - start) * profile.step_mm for start, stop in stretches(arcs > 270.0)]
    longest = max(over_270, default=0.0)
    vessel_mm = profile.eem_mean_diameter_mm[rows]
    smallest_mm = float(np.nanmin(vessel_mm)) if np.any(np.isfinite(vessel_mm)) else math.nan
    points: dict[str, bool | None] = {
        "arc above 270 deg over more than 5 mm": longest > 5.0,
        "a full ring": bool(np.any(arcs >= FULL_RING_DEG)),
        "calcified nodule": nodule,
        "vessel below 3.5 mm": smallest_mm < 3.5 if math.isfinite(smallest_mm) else None,
    }
    return CalciumSummary(_largest(arcs), _lengths(arcs, profile.step_mm), longest, points)


def _largest(arcs: FloatArray) -> float:
    return float(np.nanmax(arcs)) if np.any(np.isfinite(arcs)) else math.nan


def _lengths(arcs: FloatArray, step_mm: float) -> tuple[float, float, float, float]:
    one, two, three, four = (float(np.sum(arcs > limit) * step_mm) for limit in (0.0, 90.0, 180.0, 270.0))
    return one, two, three, four
