"""The sites and numbers that a structured report carries, taken from the tables as they stand there.

Indices follow DICOM PS3.16 Annex D, which differs from common use: Stent Symmetry Index is (max - min) / max, so 0 is
round (papers often print min / max, which the standard calls Stent Diameter Ratio); the arc of calcium has its apex
at the lumen's centre of mass; a relative position is positive distally of its landmark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from boreline.geometry import polygon_diameters_mm
from boreline.model import Calibration, Contours, Structure
from boreline.profile.single_frame import smallest_single_frame, smallest_stent_frame
from boreline.profile.volumes import VolumeRule, segment_volumes
from boreline.reporting import codes
from boreline.reporting.codes import Concept

DEFINITIONS = (
    "Stent Symmetry Index is (max - min) / max, 0 = round; papers often print min / max, here Stent Diameter Ratio. "
    "Arc of Calcium has its apex at the centre of mass of the lumen. Relative position is positive distally of its "
    "landmark, the opposite of position_mm in the tables. Diameters are chords through the centre of mass. "
    "Eccentricity is (max - min) / max."
)


@dataclass(frozen=True, slots=True)
class Measurement:
    """One number: `outline` names the structure whose contour it was measured on."""

    concept: Concept
    value: float
    unit: Concept
    decimals: int
    derivation: Concept | None = None
    outline: Structure | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """Numbers of one site or region; `frame` is 0-based, None for a region."""

    label: str
    site: Concept
    frame: int | None
    position_mm: float
    measurements: tuple[Measurement, ...]


def measured_groups(
    frames: pd.DataFrame,
    profile: pd.DataFrame | None,
    contours: Mapping[Structure, Contours],
    calibration: Calibration,
    plan: Mapping[str, Any] | None,
    assessment: Mapping[str, Any] | None,
) -> tuple[Group, ...]:
    """Smallest lumen, references of the plan, smallest stent area, and volumes over the pullback."""
    groups = []
    smallest = smallest_single_frame(frames)
    if smallest is not None:
        site = codes.SITE_OF_LUMEN_MINIMUM
        groups.append(_site("smallest lumen", site, smallest.frame, frames, contours, calibration))
    references = (plan or {}).get("references") or {}
    for side, site in (("distal", codes.DISTAL_REFERENCE), ("proximal", codes.PROXIMAL_REFERENCE)):
        if references.get(side) and references[side].get("frame") is not None:
            number = int(references[side]["frame"]) - 1
            groups.append(_site(f"{side} reference", site, number, frames, contours, calibration))
    stent = smallest_stent_frame(frames)
    if stent is not None:
        groups.append(_smallest_stent(stent, frames, contours, calibration, assessment))
    if profile is not None:
        volumes = tuple(_volumes(profile))
        if volumes:
            groups.append(Group("entire pullback", codes.ENTIRE_PULLBACK, None, math.nan, volumes))
    return tuple(groups)


_AREAS = (
    (Structure.LUMEN, "lumen", codes.LUMEN_AREA, codes.LUMEN_DIAMETER),
    (Structure.EEM, "eem", codes.EEM_AREA, codes.EEM_DIAMETER),
)


def _site(
    label: str,
    site: Concept,
    frame: int,
    frames: pd.DataFrame,
    contours: Mapping[Structure, Contours],
    calibration: Calibration,
) -> Group:
    return Group(
        label,
        site,
        frame,
        float(frames["position_mm"].iloc[frame]),
        tuple(m for m in _of_frame(frame, frames, contours, calibration) if math.isfinite(m.value)),
    )


def _of_frame(
    frame: int, frames: pd.DataFrame, contours: Mapping[Structure, Contours], calibration: Calibration
) -> Iterator[Measurement]:
    row = frames.iloc[frame]
    for structure, name, area, diameter in _AREAS:
        yield Measurement(area, row[f"{name}_area_mm2"], codes.MM2, 4, outline=structure)
        low, high = row[f"{name}_min_diameter_mm"], row[f"{name}_max_diameter_mm"]
        yield Measurement(diameter, low, codes.MM, 4, codes.MINIMUM)
        yield Measurement(diameter, high, codes.MM, 4, codes.MAXIMUM)
        if structure is Structure.LUMEN:
            yield Measurement(codes.LUMEN_ECCENTRICITY, (high - low) / high, codes.RATIO, 4)
            yield Measurement(codes.LUMEN_RATIO, low / high, codes.RATIO, 4)
    yield Measurement(codes.PLAQUE_AREA, row["plaque_area_mm2"], codes.MM2, 4)
    yield Measurement(codes.PLAQUE_BURDEN, row["plaque_burden_pct"], codes.PERCENT, 2)
    yield Measurement(codes.CALCIUM_ARC, row["calcium_arc_deg"], codes.DEGREE, 1)
    if math.isfinite(row["stent_area_mm2"]):
        yield Measurement(codes.STENT_AREA, row["stent_area_mm2"], codes.MM2, 4, outline=Structure.STENT)
        low, high = polygon_diameters_mm(contours[Structure.STENT].polygon(frame), calibration)
        yield Measurement(codes.STENT_DIAMETER, low, codes.MM, 4, codes.MINIMUM)
        yield Measurement(codes.STENT_DIAMETER, high, codes.MM, 4, codes.MAXIMUM)
        yield Measurement(codes.STENT_SYMMETRY, (high - low) / high, codes.RATIO, 4)
        yield Measurement(codes.STENT_RATIO, low / high, codes.RATIO, 4)


def _smallest_stent(
    frame: int,
    frames: pd.DataFrame,
    contours: Mapping[Structure, Contours],
    calibration: Calibration,
    assessment: Mapping[str, Any] | None,
) -> Group:
    group = _site("smallest stent area", codes.STENTED_REGION, frame, frames, contours, calibration)
    measurements = [
        Measurement(m.concept, m.value, m.unit, m.decimals, codes.MINIMUM, m.outline)
        if m.concept == codes.STENT_AREA
        else m
        for m in group.measurements
    ]
    reference = _mean_reference_lumen_mm2(assessment)
    if reference is not None:
        value = float(frames["stent_area_mm2"].iloc[frame]) / reference
        measurements.append(Measurement(codes.STENT_EXPANSION, value, codes.RATIO, 4))
    return Group(group.label, group.site, group.frame, group.position_mm, tuple(measurements))


def _mean_reference_lumen_mm2(assessment: Mapping[str, Any] | None) -> float | None:
    """Mean of both reference lumens, the conventional denominator of the expansion; None unless both are known."""
    references = (assessment or {}).get("references") or {}
    distal, proximal = ((references.get(side) or {}).get("lumen_area_mm2") for side in ("distal", "proximal"))
    return None if distal is None or proximal is None else (float(distal) + float(proximal)) / 2


def _volumes(profile: pd.DataFrame) -> Iterator[Measurement]:
    """Trapezoids over the whole profile; nothing where a border is missing over a longer stretch."""
    lumen = profile["lumen_area_mm2"].to_numpy(dtype=float)
    eem = profile["eem_area_mm2"].to_numpy(dtype=float)
    volumes = segment_volumes(profile["position_mm"].to_numpy(dtype=float), lumen, eem, VolumeRule.TRAPEZOID)
    figures = (
        (codes.LUMEN_VOLUME, volumes.lumen_mm3),
        (codes.EEM_VOLUME, volumes.vessel_mm3),
        (codes.PLAQUE_VOLUME, volumes.plaque_mm3),
    )
    known = [(concept, value) for concept, value in figures if math.isfinite(value)]
    for concept, value in known:
        yield Measurement(concept, value, codes.MM3, 3)
    if known:
        yield Measurement(codes.VOLUME_LENGTH, volumes.length_mm, codes.MM, 3)
