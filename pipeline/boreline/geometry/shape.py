"""Derived figures of one cross-section. The formula is the name: the trade uses several for the same word.

Arguments may be numbers or arrays; NaN in, NaN out.
"""

from __future__ import annotations

import numpy as np

from boreline.model import FloatArray


def mean_diameter_mm(min_mm: FloatArray, max_mm: FloatArray) -> FloatArray:
    """``(min + max) / 2``; papers use this or `area_derived_diameter_mm`: state which."""
    return 0.5 * (np.asarray(min_mm) + np.asarray(max_mm))


def area_derived_diameter_mm(area_mm2: FloatArray) -> FloatArray:
    """``2 sqrt(A / pi)``: diameter of the circle of equal area."""
    return 2.0 * np.sqrt(np.asarray(area_mm2) / np.pi)


def difference_over_max(smaller: FloatArray, larger: FloatArray) -> FloatArray:
    """``(max - min) / max``: 0 is round or even. Eccentricity of a lumen or of the wall in DICOM PS3.16."""
    larger = np.asarray(larger)
    return (larger - np.asarray(smaller)) / larger


def min_over_max(smaller: FloatArray, larger: FloatArray) -> FloatArray:
    """``min / max``: 1 is round. Symmetry ratio of a lumen in DICOM PS3.16."""
    return np.asarray(smaller) / np.asarray(larger)


def max_over_min(smaller: FloatArray, larger: FloatArray) -> FloatArray:
    """``max / min``: 1 is even. The form behind published wall eccentricities above 1."""
    return np.asarray(larger) / np.asarray(smaller)


def shape_index(area_mm2: FloatArray, perimeter_mm: FloatArray) -> FloatArray:
    """``(2 pi sqrt(A / pi) / P) ** 2 = 4 pi A / P ** 2``: 1 is a circle (lumen shape index of DICOM PS3.16)."""
    return 4.0 * np.pi * np.asarray(area_mm2) / np.asarray(perimeter_mm) ** 2
