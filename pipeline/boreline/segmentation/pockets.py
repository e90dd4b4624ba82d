"""Gaps behind a stent as one closed path around the vessel, and the pockets in it where the wall is off the stent."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from boreline.model import FloatArray, IntArray
from boreline.segmentation.lumen import runs_of_true
from boreline.segmentation.straightened import Floats32
from boreline.segmentation.surfaces import closed_path, sub_sample

APPOSED_MM = 0.04
"""Where the wall is taken to be behind an apposed stent: half a strut's usual thickness (no source)."""
POCKET_MM = 0.15
COST_RAYS = 2.5
"""Width of the Gaussian over rays by which costs or votes are smoothed before a path is drawn."""
_LARGEST_STEP, _STIFFNESS = 3, 0.25
_WIDEST = 0.5
_SMOOTH_RAYS = 2.0


def gap_path(cost: Floats32, step_mm: float) -> tuple[IntArray, FloatArray]:
    """The best closed path through `cost`, (n_angles, n_offsets), and the gap along it in mm."""
    path = closed_path(cost, _LARGEST_STEP, _STIFFNESS)
    gap = np.where(path == 0, APPOSED_MM, np.maximum(sub_sample(cost, path) * step_mm, APPOSED_MM))
    return path, gap


def pockets_of(gap_mm: FloatArray) -> list[IntArray]:
    """The rays of each pocket; none where one is too wide at half its depth: blood and wall were mistaken there."""
    return [pocket for pocket in runs_of_true(gap_mm > POCKET_MM) if not _too_wide(gap_mm, pocket)]


def rounded(gap_mm: FloatArray) -> FloatArray:
    """The gap without corners."""
    smooth: FloatArray = gaussian_filter1d(gap_mm, _SMOOTH_RAYS, mode="wrap")
    return smooth


def _too_wide(gap_mm: FloatArray, pocket: IntArray) -> bool:
    deep = gap_mm[pocket] > 0.5 * gap_mm[pocket].max()
    return bool(deep.sum() > _WIDEST * len(gap_mm))
