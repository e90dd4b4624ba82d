"""Small made-up results to edit."""

from __future__ import annotations

import numpy as np

from boreline.correction import Baseline
from boreline.model import (
    Calibration,
    CalibrationOrigin,
    Contours,
    FloatArray,
    Sectors,
    Segmentation,
    Structure,
)

CENTRE = np.array([256.0, 250.0])


def wavy(
    radius: float, *, waves: float = 0.1, phase: float = 0.0, n: int = 96, centre: FloatArray = CENTRE
) -> FloatArray:
    """A star-shaped closed curve."""
    angle = 2 * np.pi * np.arange(n) / n
    r = radius * (1 + waves * np.sin(3 * angle + phase) + 0.5 * waves * np.cos(2 * angle - phase))
    return np.asarray(centre + r[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]))


def bean(size: float = 60.0, n: int = 120) -> FloatArray:
    """A folded curve that rays from its centre meet more than once."""
    angle = 2 * np.pi * np.arange(n) / n
    bend = np.where(np.sin(angle) > 0, 1.0, 0.55)
    turn = np.pi * (0.15 + 0.7 * (1 + np.cos(angle)) / 2) * 1.6
    radius = size * (1.0 + 0.28 * np.sin(angle) * bend)
    return np.asarray(CENTRE + radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))


def segmentation(n_frames: int = 30, *, n_vertices: int = 96) -> Segmentation:
    lumen = [wavy(60 + 5 * np.sin(f / 5), phase=f / 20, n=n_vertices) for f in range(n_frames)]
    eem = [wavy(110 + 3 * np.sin(f / 7), waves=0.05, phase=f / 30, n=n_vertices) for f in range(n_frames)]
    sure = {s: np.full(n_frames, 0.8) for s in Structure}
    sure[Structure.STENT] = np.full(n_frames, np.nan)
    nothing = np.full(n_frames, np.nan)
    return Segmentation(
        contours={
            Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, lumen),
            Structure.EEM: Contours.from_polygons(Structure.EEM, eem),
            Structure.STENT: Contours.empty(Structure.STENT, n_frames),
        },
        sectors=Sectors.empty(),
        confidence=sure,
        area_sd_mm2={s: np.where(np.isnan(sure[s]), np.nan, 0.3) for s in Structure},
        eem_hidden_deg=np.zeros(n_frames),
        calcium_arc_deg=nothing,
        malapposition_mm=nothing,
        flags=(frozenset(),) * n_frames,
    )


def baseline(n_frames: int = 30, *, aspect: float = 1.0, n_vertices: int = 96) -> Baseline:
    calibration = Calibration(0.02, 0.02 * aspect, CalibrationOrigin.OPERATOR, "test")
    return Baseline(segmentation(n_frames, n_vertices=n_vertices), calibration)
