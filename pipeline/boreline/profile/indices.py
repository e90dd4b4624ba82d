"""Indices of one cross-section or of two, each by its formula: papers give one name to several of them.

Definitions: Mintz, JACC 2001;37:1478-92 (from memory); eccentricity and symmetry as in DICOM PS3.16.
All functions broadcast; NaN in gives NaN out, and so does a zero denominator.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from boreline.model import FloatArray

Number = float | FloatArray


def plaque_burden_pct(lumen_area_mm2: Number, eem_area_mm2: Number) -> FloatArray:
    """100 x (EEM - lumen) / EEM, %."""
    return 100.0 * _over(np.subtract(eem_area_mm2, lumen_area_mm2), eem_area_mm2)


def eccentricity(shortest_mm: Number, longest_mm: Number) -> FloatArray:
    """(Dmax - Dmin) / Dmax: 0 = round (DICOM PS3.16; for a stent the same formula is its symmetry index there)."""
    return _over(np.subtract(longest_mm, shortest_mm), longest_mm)


def symmetry_ratio(shortest_mm: Number, longest_mm: Number) -> FloatArray:
    """Dmin / Dmax in one frame: 1 = round (de Jaegere, Eur Heart J 1998;19:1214-23)."""
    return _over(shortest_mm, longest_mm)


def smallest_symmetry_ratio(shortest_mm: FloatArray, longest_mm: FloatArray) -> float:
    """Smallest Dmin / Dmax of any frame: "stent eccentricity" of Fujimura, JACC Cardiovasc Interv 2021;14:1639-50."""
    ratios = symmetry_ratio(shortest_mm, longest_mm)
    return float(np.nanmin(ratios)) if np.any(np.isfinite(ratios)) else float("nan")


def whole_stent_ratio(shortest_mm: FloatArray, longest_mm: FloatArray) -> float:
    """Smallest over largest diameter of the whole stent: "stent asymmetry" of Fujimura 2021; low in tapered vessels."""
    if not (np.any(np.isfinite(shortest_mm)) and np.any(np.isfinite(longest_mm))):
        return float("nan")
    return float(np.nanmin(shortest_mm) / np.nanmax(longest_mm))


def area_stenosis_pct(minimum_lumen_mm2: Number, reference_lumen_mm2: Number) -> FloatArray:
    """100 x (reference - MLA) / reference, %; which reference was used must be named beside it."""
    return 100.0 * _over(np.subtract(reference_lumen_mm2, minimum_lumen_mm2), reference_lumen_mm2)


def remodelling_index(lesion_eem_mm2: Number, reference_eem_mm2: Number) -> FloatArray:
    """EEM at the lesion over EEM at the reference; which reference was used must be named beside it."""
    return _over(lesion_eem_mm2, reference_eem_mm2)


class Remodelling(StrEnum):
    """Classes of the remodelling index, limits 1.05 and 0.95 (from memory, verify in the paper)."""

    POSITIVE = "positive"
    INTERMEDIATE = "intermediate"
    NEGATIVE = "negative"


def remodelling_class(index: float) -> Remodelling | None:
    """Positive above 1.05, negative below 0.95, else intermediate; None without an index."""
    if not np.isfinite(index):
        return None
    if index > 1.05:
        return Remodelling.POSITIVE
    return Remodelling.NEGATIVE if index < 0.95 else Remodelling.INTERMEDIATE


def diameter_of_area_mm(area_mm2: Number) -> FloatArray:
    """Diameter of the circle of that area, mm."""
    return np.asarray(2.0 * np.sqrt(np.divide(area_mm2, np.pi)))


def area_of_diameter_mm2(diameter_mm: Number) -> FloatArray:
    """Area of the circle of that diameter, mm2."""
    return np.asarray(np.pi * np.square(np.divide(diameter_mm, 2.0)))


def _over(top: Number, bottom: Number) -> FloatArray:
    top, bottom = np.broadcast_arrays(np.asarray(top, dtype=float), np.asarray(bottom, dtype=float))
    return np.asarray(np.divide(top, bottom, out=np.full(top.shape, np.nan), where=bottom != 0))
