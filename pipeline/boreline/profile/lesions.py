"""Lesions along a profile: by narrowing against the references, or by plaque burden.

A stenosis is a lumen narrowed by at least 50 % against the reference lumen; two of them are separate when at least
5 mm between them is free of stenosis (Mintz, JACC 2001;37:1478-92, from memory). A plaque-based lesion is a stretch
with a plaque burden above 40 % (Raber, Eur Heart J 2015;36:490-500, supplement).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from boreline.model import BoolArray, FloatArray
from boreline.profile.indices import Number
from boreline.profile.record import Profile, join_stretches, stretches
from boreline.profile.sites import (
    REFERENCE_REACH_MM,
    Side,
    Site,
    find_reference,
    may_be_reference,
    minimum_lumen,
    segment_window,
)

STENOSIS_PCT = 50.0
SEPARATE_MM = 5.0
LESION_BURDEN_PCT = 40.0
COVER_BURDEN_PCT = 50.0
"""A device is landed where the plaque burden is below this, so a planned length covers what is above it."""
_CANDIDATE_REACH_MM = 30.0
_MAX_ROUNDS = 100


class LesionKind(StrEnum):
    """By which definition a stretch is a lesion."""

    STENOSIS = "stenosis"
    PLAQUE = "plaque"
    SEVERE = "severe"  # narrowed by half or plaque burden >= 50 %: what a device has to cover


@dataclass(frozen=True, slots=True)
class Lesion:
    """One lesion: rows `first_row`..`last_row` inclusive (distal to proximal) and its references.

    `reference_lumen_mm2` is the mean of the references that exist; None without any.
    """

    kind: LesionKind
    first_row: int
    last_row: int
    minimum: Site
    distal_reference: Site | None
    proximal_reference: Site | None
    reference_lumen_mm2: float | None

    def length_mm(self, profile: Profile) -> float:
        """Distance between the first and the last row."""
        return float(profile.position_mm[self.last_row] - profile.position_mm[self.first_row])


def find_stenoses(profile: Profile) -> tuple[Lesion, ...]:
    """Every stenosis, distal to proximal; empty when the lumen is nowhere narrowed by half.

    References lie beside a lesion whose extent depends on them. So candidates are found against what lies within
    30 mm of each row, and each candidate is then fitted to the references beside it until its extent settles.
    """
    narrowed = np.zeros(profile.n_rows, dtype=bool)
    for start, stop in stretches(_candidates(profile)):
        extent = _settle(profile, start, stop - 1)
        if extent is not None:
            narrowed[extent[0] : extent[1] + 1] = True
    joined = join_stretches(narrowed, round(SEPARATE_MM / profile.step_mm))
    return tuple(_lesion(profile, LesionKind.STENOSIS, start, stop - 1) for start, stop in stretches(joined))


def find_plaque_lesions(profile: Profile) -> tuple[Lesion, ...]:
    """Every stretch with a plaque burden above 40 %, distal to proximal; rows without an EEM interrupt nothing."""
    burden = profile.plaque_burden_pct
    diseased = profile.eem_measured & (burden > LESION_BURDEN_PCT)
    diseased = _bridge_unmeasured(diseased, profile.eem_measured)
    return tuple(_lesion(profile, LesionKind.PLAQUE, start, stop - 1) for start, stop in stretches(diseased))


def lesion_to_cover(profile: Profile, *, around_row: int | None = None) -> Lesion | None:
    """The stretch that a device has to cover: narrowed by half or plaque burden >= 50 %, joined over gaps < 5 mm.

    Parameters
    ----------
    around_row
        The stretch nearest to this row; by default the one with the smallest lumen.

    Returns
    -------
    Lesion or None
        A plaque-based lesion when nothing is that severe; None when there is no lesion by either definition.
    """
    severe = profile.eem_measured & (profile.plaque_burden_pct >= COVER_BURDEN_PCT)
    for stenosis in find_stenoses(profile):
        severe[stenosis.first_row : stenosis.last_row + 1] = True
    severe = join_stretches(severe, round(SEPARATE_MM / profile.step_mm))
    kind = LesionKind.SEVERE
    if not severe.any():
        kind = LesionKind.PLAQUE
        for lesion in find_plaque_lesions(profile):
            severe[lesion.first_row : lesion.last_row + 1] = True
    spans = stretches(severe)
    if not spans:
        return None
    if around_row is None:
        inside = np.where(severe & profile.measured, profile.lumen_area_mm2, np.inf)
        around_row = int(np.argmin(inside))
    middle = around_row
    start, stop = min(spans, key=lambda span: max(span[0] - middle, middle - span[1] + 1, 0))
    return _lesion(profile, kind, start, stop - 1)


def _lesion(profile: Profile, kind: LesionKind, first: int, last: int) -> Lesion:
    minimum = minimum_lumen(profile, first, last)
    if minimum is None:  # pragma: no cover - lesions are made of measured rows
        raise ValueError("a lesion holds at least one measured row")
    distal, proximal, reference = _references(profile, first, last)
    return Lesion(kind, first, last, minimum, distal, proximal, reference)


def _references(profile: Profile, first: int, last: int) -> tuple[Site | None, Site | None, float | None]:
    distal = find_reference(profile, first, Side.DISTAL, reach_mm=REFERENCE_REACH_MM)
    proximal = find_reference(profile, last, Side.PROXIMAL, reach_mm=REFERENCE_REACH_MM)
    areas = [site.lumen_area_mm2 for site in (distal, proximal) if site is not None]
    return distal, proximal, float(np.mean(areas)) if areas else None


def _candidates(profile: Profile) -> BoolArray:
    """Rows narrowed by half against the mean of the largest lumens on both sides, joined over gaps < 5 mm."""
    lumen = np.where(may_be_reference(profile), profile.lumen_area_mm2, -np.inf)
    sides = np.full((2, profile.n_rows), np.nan)
    for row in np.flatnonzero(profile.measured):
        for index, side in enumerate(Side):
            rows = segment_window(profile, int(row), side, _CANDIDATE_REACH_MM)
            largest = lumen[rows].max(initial=-np.inf)
            sides[index, row] = largest if np.isfinite(largest) else np.nan
    known = np.isfinite(sides)
    reference = np.where(known, sides, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    narrowed = profile.measured & known.any(axis=0) & (profile.lumen_area_mm2 <= _limit(reference))
    return join_stretches(narrowed, round(SEPARATE_MM / profile.step_mm))


def _settle(profile: Profile, first: int, last: int) -> tuple[int, int] | None:
    """The extent that agrees with the references beside it; None when nothing in it is narrowed by half."""
    for _ in range(_MAX_ROUNDS):
        reference = _references(profile, first, last)[2]
        if reference is None:
            return None
        rows = np.arange(first, last + 1)
        inside = rows[profile.measured[rows] & (profile.lumen_area_mm2[rows] <= _limit(reference))]
        if inside.size == 0:
            return None
        extent = int(inside[0]), int(inside[-1])
        if extent == (first, last):
            break
        first, last = extent
    return first, last


def _limit(reference_mm2: Number) -> FloatArray:
    return np.multiply(reference_mm2, 1 - STENOSIS_PCT / 100)


def _bridge_unmeasured(mask: BoolArray, known: BoolArray) -> BoolArray:
    """Fill gaps between true rows that hold only rows without an EEM."""
    out = mask.copy()
    for start, stop in stretches(~known):
        if start > 0 and stop < len(mask) and mask[start - 1] and mask[stop]:
            out[start:stop] = True
    return out
