"""Differences between two results of one run: automatic and edited, two versions, or two readers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from boreline.geometry import contour_areas_mm2
from boreline.geometry.overlap import polygon_overlap
from boreline.model import Calibration, Contours, FloatArray, JsonValue, Segmentation, Structure


@dataclass(frozen=True, slots=True)
class Difference:
    """One structure of two results, over the frames in which both, or either, has a contour.

    `table` has one row per frame with a difference or with both contours: frame (from 1), structure, jaccard,
    first_area_mm2, second_area_mm2, difference_mm2 (first - second).
    """

    structure: Structure
    table: pd.DataFrame
    n_both: int
    n_only_first: int
    n_only_second: int

    def as_json(self) -> dict[str, JsonValue]:
        """Figures for a document; None where there is nothing to compare."""
        both = self.table[self.table["jaccard"].notna()]
        changed = both[both["jaccard"] < 1.0]
        return {
            "structure": self.structure.value,
            "n_both": self.n_both,
            "n_only_first": self.n_only_first,
            "n_only_second": self.n_only_second,
            "n_different": len(changed) + self.n_only_first + self.n_only_second,
            "median_jaccard": _figure(both["jaccard"].median()),
            "lowest_jaccard": _figure(both["jaccard"].min()),
            "mean_difference_mm2": _figure(both["difference_mm2"].mean()),
            "sd_difference_mm2": _figure(both["difference_mm2"].std(ddof=1)),
        }


def differences(
    first: Segmentation, second: Segmentation, calibration: Calibration, *, frames: frozenset[int] | None = None
) -> list[Difference]:
    """Compare two results frame by frame, for each structure that either holds.

    Parameters
    ----------
    frames
        0-based frames to look at; all when None.
    """
    out = []
    for structure in Structure:
        one, two = first.contours[structure], second.contours[structure]
        if one.present.any() or two.present.any():
            out.append(_difference(structure, one, two, calibration, frames))
    return out


def changed_frames(first: Contours, second: Contours) -> frozenset[int]:
    """0-based frames in which two results of one structure do not have the very same vertices."""
    return frozenset(frame for frame in range(first.n_frames) if not _same(first, second, frame))


def _same(one: Contours, two: Contours, frame: int) -> bool:
    a = one.xy_px[one.offsets[frame] : one.offsets[frame + 1]]
    b = two.xy_px[two.offsets[frame] : two.offsets[frame + 1]]
    return a.shape == b.shape and bool(np.array_equal(a, b))


def _difference(
    structure: Structure, one: Contours, two: Contours, calibration: Calibration, frames: frozenset[int] | None
) -> Difference:
    areas_one, areas_two = contour_areas_mm2(one, calibration), contour_areas_mm2(two, calibration)
    chosen = np.ones(one.n_frames, dtype=np.bool_)
    if frames is not None:
        chosen[:] = False
        chosen[sorted(frames)] = True
    both = one.present & two.present & chosen
    only_one, only_two = one.present & ~two.present & chosen, two.present & ~one.present & chosen
    numbers = np.flatnonzero(both | only_one | only_two)
    jaccard: FloatArray = np.array([_jaccard(one, two, int(f), calibration) if both[f] else np.nan for f in numbers])
    table = pd.DataFrame(
        {
            "frame": numbers + 1,
            "structure": structure.value,
            "jaccard": jaccard,
            "first_area_mm2": areas_one[numbers],
            "second_area_mm2": areas_two[numbers],
            "difference_mm2": areas_one[numbers] - areas_two[numbers],
        }
    )
    return Difference(structure, table, int(both.sum()), int(only_one.sum()), int(only_two.sum()))


def _jaccard(one: Contours, two: Contours, frame: int, calibration: Calibration) -> float:
    if _same(one, two, frame):
        return 1.0
    return polygon_overlap(one.polygon(frame), two.polygon(frame), calibration).jaccard


def _figure(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
