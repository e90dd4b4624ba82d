"""The vessel on a regular grid: stops do not lengthen it, reversals do not double it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from boreline.columns import FRAMES, PROFILE, Kind
from boreline.model import FloatArray
from boreline.profile.grid import MAX_GAP_MM, profile_table


def frames_at(position_mm: FloatArray, lumen_mm2: FloatArray, eem_mm2: FloatArray | None = None) -> pd.DataFrame:
    n = len(position_mm)
    data = pd.DataFrame(
        {
            c.name: np.full(n, np.nan) if c.kind is Kind.NUMBER else pd.array([pd.NA] * n, dtype="boolean")
            for c in FRAMES.columns
        }
    )
    data["frame"] = np.arange(1, n + 1)
    data["flags"] = ""
    data["position_mm"] = position_mm
    data["lumen_area_mm2"] = lumen_mm2
    data["eem_area_mm2"] = np.full(n, 15.0) if eem_mm2 is None else eem_mm2
    return data


def lumen_at(position_mm: FloatArray) -> FloatArray:
    return 8.0 - 4.0 * np.exp(-(((position_mm - 12.0) / 2.0) ** 2))


def test_a_steady_pullback_keeps_its_areas() -> None:
    position = np.arange(0, 30, 1 / 60)
    table = profile_table(frames_at(position, lumen_at(position)))
    assert table is not None
    assert list(table.columns) == list(PROFILE.names)
    np.testing.assert_allclose(np.diff(table["position_mm"]), 0.1)
    np.testing.assert_allclose(table["lumen_area_mm2"], lumen_at(table["position_mm"].to_numpy()), atol=0.02)
    np.testing.assert_allclose(table["plaque_burden_pct"], 100 * (1 - table["lumen_area_mm2"] / 15.0))
    assert not table["revisited"].any()
    nearest = position[table["frame"].to_numpy() - 1]
    assert np.abs(nearest - table["position_mm"]).max() <= 1 / 120 + 1e-9


def test_a_stop_and_a_reversal_change_neither_length_nor_lesion() -> None:
    steady = np.arange(0, 30, 1 / 60)
    stop = np.full(120, 10.0)
    out, back, again = np.arange(0, 15, 1 / 60), np.arange(15, 9, -1 / 60), np.arange(9, 30, 1 / 60)
    plain = profile_table(frames_at(steady, lumen_at(steady)))
    wandering = np.concatenate([out[out <= 10], stop, out[out > 10], back, again])
    other = profile_table(frames_at(wandering, lumen_at(wandering)))
    assert plain is not None
    assert other is not None
    assert len(plain) == len(other)
    np.testing.assert_allclose(plain["lumen_area_mm2"], other["lumen_area_mm2"], atol=0.02)
    revisited = other.loc[other["revisited"], "position_mm"]
    assert 8.95 < revisited.min() < 9.4
    assert 14.6 < revisited.max() < 15.05
    assert np.ptp(revisited) > 5.2
    np.testing.assert_allclose(np.diff(revisited), 0.1)


def test_sparse_frames_are_interpolated_and_counted_as_none() -> None:
    position = np.arange(0, 20, 0.5)
    table = profile_table(frames_at(position, 5 + 0.1 * position))
    assert table is not None
    np.testing.assert_allclose(table["lumen_area_mm2"], 5 + 0.1 * table["position_mm"], atol=1e-9)
    assert set(table["n_frames"]) == {0, 1}


def test_a_gap_too_long_to_bridge_stays_empty() -> None:
    position = np.concatenate([np.arange(0, 5, 0.1), np.arange(5 + MAX_GAP_MM + 0.5, 12, 0.1)])
    table = profile_table(frames_at(position, np.full(len(position), 6.0)))
    assert table is not None
    hole = table.loc[table["lumen_area_mm2"].isna(), "position_mm"]
    assert 4.9 < hole.min() < 5.1
    assert 7.3 < hole.max() < 7.5


def test_an_unmeasurable_eem_is_never_filled_in() -> None:
    position = np.arange(0, 20, 0.5)
    eem = np.where((position > 8) & (position < 11), np.nan, 15.0)
    table = profile_table(frames_at(position, np.full(len(position), 6.0), eem))
    assert table is not None
    hidden = table["eem_area_mm2"].isna()
    assert table.loc[hidden, "position_mm"].between(8.0, 11.0).all()
    assert hidden[table["position_mm"].between(8.4, 10.6)].all()
    assert (table["plaque_area_mm2"].isna() == hidden).all()


def test_frames_that_are_no_vessel_do_not_count() -> None:
    position = np.arange(0, 20, 0.05)
    data = frames_at(position, np.full(len(position), 6.0))
    data.loc[position > 15, ["flags", "lumen_area_mm2"]] = ["in_guide", 2.0]
    table = profile_table(data)
    assert table is not None
    assert table["position_mm"].max() <= 15.0
    np.testing.assert_allclose(table["lumen_area_mm2"], 6.0)


def test_a_run_without_positions_has_no_profile() -> None:
    assert profile_table(frames_at(np.full(50, np.nan), np.full(50, 6.0))) is None
