"""Volumes along a vessel, with the real spacing of the rows.

Two rules give different volumes and both are in use, so every result names its rule: discs (each row stands for the
length up to half-way to its neighbours, the end rows for a whole spacing) and trapezoids (linear between rows, Raber,
Eur Heart J 2015;36:490-500, supplement). Percent atheroma volume is a ratio of sums, never a mean of plaque burdens.
For volumes only, a missing EEM is interpolated linearly across gaps of at most `MAX_GAP_MM`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from boreline.model import BoolArray, FloatArray
from boreline.profile.record import stretches

MAX_GAP_MM = 2.0
"""No published limit is known: own choice, shown with the result."""
MOST_DISEASED_MM = 10.0


class VolumeRule(StrEnum):
    """How areas become a volume."""

    DISC = "disc"
    TRAPEZOID = "trapezoid"


@dataclass(frozen=True, slots=True)
class Volumes:
    """Volumes over one segment, mm3; NaN where a border is missing over more than the permitted gap.

    `interpolated_mm` is the length over which an area was interpolated. `length_mm` is what the volumes cover: one
    spacing more than the distance between the end rows for discs.
    """

    rule: VolumeRule
    length_mm: float
    lumen_mm3: float
    vessel_mm3: float
    plaque_mm3: float
    interpolated_mm: float

    @property
    def percent_atheroma_volume(self) -> float:
        """PAV: 100 x total plaque / total vessel, %."""
        return 100.0 * self.plaque_mm3 / self.vessel_mm3

    @property
    def mean_plaque_area_mm2(self) -> float:
        """TAV / length, mm3 per mm."""
        return self.plaque_mm3 / self.length_mm


def segment_volumes(
    position_mm: FloatArray, lumen_area_mm2: FloatArray, eem_area_mm2: FloatArray, rule: VolumeRule
) -> Volumes:
    """Lumen, vessel and plaque volume over rows at rising positions, all shape (n,), n >= 2.

    Raises
    ------
    ValueError
        Fewer than two rows, or positions that do not rise.
    """
    if len(position_mm) < 2 or np.any(np.diff(position_mm) <= 0):
        raise ValueError("a volume needs at least two rows at rising positions")
    weights = _weights(position_mm, rule)
    lumen = fill_short_gaps(position_mm, lumen_area_mm2)
    eem = fill_short_gaps(position_mm, eem_area_mm2)
    filled = (np.isnan(lumen_area_mm2) & np.isfinite(lumen)) | (np.isnan(eem_area_mm2) & np.isfinite(eem))
    return Volumes(
        rule,
        float(weights.sum()),
        float(weights @ lumen),
        float(weights @ eem),
        float(weights @ (eem - lumen)),
        float(weights[filled].sum()),
    )


def volume_mm3(position_mm: FloatArray, area_mm2: FloatArray, rule: VolumeRule) -> float:
    """Volume of one border (lumen, vessel, stent), mm3; NaN where an area is missing."""
    return float(_weights(position_mm, rule) @ area_mm2)


def fill_short_gaps(position_mm: FloatArray, area_mm2: FloatArray, *, max_gap_mm: float = MAX_GAP_MM) -> FloatArray:
    """`area_mm2` with inner gaps of at most `max_gap_mm` (between the rows beside them) filled linearly."""
    out = area_mm2.copy()
    for start, stop in stretches(np.isnan(area_mm2)):
        inside = start > 0 and stop < len(out)
        if inside and position_mm[stop] - position_mm[start - 1] <= max_gap_mm:
            ends = [start - 1, stop]
            out[start:stop] = np.interp(position_mm[start:stop], position_mm[ends], area_mm2[ends])
    return out


def most_diseased_window(
    position_mm: FloatArray, burden_pct: FloatArray, usable: BoolArray, *, length_mm: float = MOST_DISEASED_MM
) -> tuple[float, float, float] | None:
    """(start, end, mean plaque burden in %) of the window with the highest mean burden.

    Windows are `length_mm` long and start at every row of the regular grid; at least half of a window's rows must be
    usable. None when the run is shorter or no window qualifies.
    """
    step_mm = float(position_mm[1] - position_mm[0])
    n = round(length_mm / step_mm)
    if len(position_mm) <= n:
        return None
    known = usable & np.isfinite(burden_pct)
    sums = _running_sum(np.where(known, burden_pct, 0.0), n + 1)
    counts = _running_sum(known.astype(float), n + 1)
    means = np.divide(sums, counts, out=np.full(sums.shape, -np.inf), where=2 * counts >= n + 1)
    best = int(np.argmax(means))
    if not np.isfinite(means[best]):
        return None
    return float(position_mm[best]), float(position_mm[best + n]), float(means[best])


def _weights(position_mm: FloatArray, rule: VolumeRule) -> FloatArray:
    steps = np.diff(position_mm)
    halves = np.concatenate([[0.0], steps, [0.0]]) / 2
    weights = halves[:-1] + halves[1:]
    if rule is VolumeRule.DISC:
        weights[0] += steps[0] / 2
        weights[-1] += steps[-1] / 2
    return weights


def _running_sum(values: FloatArray, n: int) -> FloatArray:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[n:] - total[:-n])
