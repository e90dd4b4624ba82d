"""A marker on a centreline, worked without pictures."""

from __future__ import annotations

import numpy as np
import pytest

from boreline.position.centreline import Centreline
from boreline.position.registration import register


def on_a_straight_line(first_px: float, last_px: float, noise_px: float = 0.0) -> tuple[np.ndarray, float]:
    """A marker that goes evenly past a line of 100 px, ten seconds at 15 frames a second."""
    arc = np.arange(0.0, 100.5, 0.5)
    line = Centreline(np.column_stack([50 + arc, np.full(len(arc), 80.0)]), arc, np.ones(len(arc)))
    times_s = np.arange(150) / 15
    marker = np.column_stack([50 + np.linspace(first_px, last_px, 150), np.full(150, 80.0)])
    marker += noise_px * np.random.default_rng(3).standard_normal(marker.shape)
    found = register(marker, np.ones(150), times_s, np.full(150, np.nan), line, cine_phase=None, mm_per_px=0.25)
    return found.arc_px, found.place_sd_px


def test_a_marker_beyond_the_ends_is_not_taken_for_the_end() -> None:
    arc_px, _ = on_a_straight_line(-8.0, 108.0)
    assert np.ptp(arc_px) == pytest.approx(116.0, abs=0.5)


def test_the_stated_error_is_that_of_the_smoothed_place() -> None:
    """Second-order fit over seven frames: the middle keeps sqrt(1/3) of the noise (Savitzky and Golay 1964)."""
    arc_px, place_sd_px = on_a_straight_line(0.0, 100.0, noise_px=1.0)
    off = arc_px - np.linspace(0.0, 100.0, 150)
    assert place_sd_px == pytest.approx(np.sqrt(1 / 3), rel=0.25)
    assert place_sd_px == pytest.approx(float(np.std(off[4:-4])), rel=0.25)
