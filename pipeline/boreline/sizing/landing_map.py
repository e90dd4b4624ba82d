"""Landing-site map: every distal and proximal landing paired, to see how robust a choice is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from boreline.model import FloatArray, IntArray, JsonValue, Structure
from boreline.profile.lesions import Lesion
from boreline.profile.record import Profile
from boreline.profile.sites import EDGE_REACH_MM, REFERENCE_REACH_MM, Side, segment_window
from boreline.profile.uncertainty import VesselDraws, Window
from boreline.sizing.devices import Device, choose_lengths, round_to_list
from boreline.sizing.landing import reference_rows
from boreline.sizing.methods import METHODS

SPACING_MM = 1.0


@dataclass(frozen=True, slots=True)
class EdgeLimit:
    """A rule about the largest plaque burden at both edges: below (or at most) `limit_pct`."""

    id: str
    limit_pct: float
    or_equal: bool = False


@dataclass(frozen=True, slots=True)
class LandingMap:
    """Pairs of landings: arrays of shape (n_distal, n_proximal).

    `smallest_mm` and `largest_mm` are the range of stent diameters over the methods that can be assessed;
    `probability` maps each edge rule to the chance that both edges fulfil it (empty without uncertainties).
    """

    distal_mm: FloatArray
    proximal_mm: FloatArray
    length_mm: FloatArray
    device_length_mm: FloatArray  # next length in the list; NaN when one device is not enough
    smallest_mm: FloatArray
    largest_mm: FloatArray
    edge_burden_pct: FloatArray  # the larger of the two edges, as read
    probability: Mapping[str, FloatArray]

    def as_json(self) -> dict[str, JsonValue]:
        """For a document; rows are distal landings, columns proximal ones."""
        arrays = {name: np.round(getattr(self, name), 3).tolist() for name in self.__slots__ if name != "probability"}
        return {**arrays, "probability": {name: np.round(p, 4).tolist() for name, p in self.probability.items()}}


def landing_map(
    profile: Profile,
    lesion: Lesion,
    draws: VesselDraws,
    devices: Sequence[Device],
    limits: Sequence[EdgeLimit],
    *,
    n_draws: int,
) -> LandingMap:
    """Score every pair of places from the lesion's edges to 10 mm outside, 1 mm apart."""
    distal = _places(profile, lesion.first_row, Side.DISTAL)[::-1]
    proximal = _places(profile, lesion.last_row, Side.PROXIMAL)
    length = profile.position_mm[proximal][None, :] - profile.position_mm[distal][:, None]
    lengths = sorted({device.length_mm for device in devices})
    one_device = np.array([[_one_length(float(value), lengths) for value in row] for row in length])
    smallest, largest = _diameters(profile, distal, proximal, devices)
    burdens = [_edge_burdens(profile, distal, Side.DISTAL), _edge_burdens(profile, proximal, Side.PROXIMAL)]
    return LandingMap(
        profile.position_mm[distal],
        profile.position_mm[proximal],
        length,
        one_device.reshape(length.shape),
        smallest,
        largest,
        np.maximum(burdens[0][:, None], burdens[1][None, :]),
        _probabilities(profile, distal, proximal, draws, limits, n_draws),
    )


def edge_rows(profile: Profile, row: int, side: Side) -> IntArray:
    """Rows with a plaque burden within 5 mm outside `row`."""
    rows = row + side.outward * np.arange(1, round(EDGE_REACH_MM / profile.step_mm) + 1)
    rows = rows[(rows >= 0) & (rows < profile.n_rows)]
    return rows[profile.eem_measured[rows]]


def _places(profile: Profile, edge_row: int, side: Side) -> IntArray:
    """In each millimetre outwards the first row that was measured: a fast pullback leaves rows without a frame."""
    rows = segment_window(profile, edge_row, side, REFERENCE_REACH_MM)
    every = max(round(SPACING_MM / profile.step_mm), 1)
    parts = (rows[start : start + every] for start in range(0, len(rows), every))
    return np.array([seen[0] for part in parts if (seen := part[profile.measured[part]]).size], dtype=np.int64)


def _one_length(length_mm: float, lengths_mm: Sequence[float]) -> float:
    choice = choose_lengths(length_mm, lengths_mm).lengths_mm
    return choice[0] if len(choice) == 1 else float("nan")


def _diameters(
    profile: Profile, distal: IntArray, proximal: IntArray, devices: Sequence[Device]
) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest size that the stent methods pick for each pair."""
    sides = {
        Side.DISTAL: [_reference_diameters(profile, int(row), Side.DISTAL) for row in distal],
        Side.PROXIMAL: [_reference_diameters(profile, int(row), Side.PROXIMAL) for row in proximal],
    }
    sizes = sorted({device.diameter_mm for device in devices})
    smallest = np.full((len(distal), len(proximal)), np.nan)
    largest = smallest.copy()
    methods = [method for method in METHODS if not method.balloon]
    for i, (distal_lumen, distal_eem, distal_seen) in enumerate(sides[Side.DISTAL]):
        for j, (proximal_lumen, proximal_eem, proximal_seen) in enumerate(sides[Side.PROXIMAL]):
            diameters = {
                "distal_lumen": distal_lumen,
                "distal_eem": distal_eem,
                "proximal_lumen": proximal_lumen,
                "proximal_eem": proximal_eem,
            }
            arcs = {"distal_eem_seen_deg": distal_seen, "proximal_eem_seen_deg": proximal_seen}
            picked = [
                round_to_list(value, sizes, method.rounding).diameter_mm
                for method in methods
                if method.enough_seen(arcs) and np.isfinite(value := float(method.measure(diameters)))
            ]
            known = [size for size in picked if size is not None]
            if known:
                smallest[i, j], largest[i, j] = min(known), max(known)
    return smallest, largest


def _reference_diameters(profile: Profile, row: int, side: Side) -> tuple[float, float, float]:
    """Mean lumen and EEM diameter of the reference, and the degrees of EEM seen there; NaN without one."""
    rows = reference_rows(profile, row, side)
    if rows.size == 0:
        return float("nan"), float("nan"), float("nan")
    best = int(rows[np.argmax(profile.lumen_area_mm2[rows])])
    seen_deg = 360.0 - float(profile.eem_hidden_deg[best])
    return float(profile.lumen_mean_diameter_mm[best]), float(profile.eem_mean_diameter_mm[best]), seen_deg


def _edge_burdens(profile: Profile, places: IntArray, side: Side) -> FloatArray:
    out = np.full(len(places), np.nan)
    for i, row in enumerate(places):
        rows = edge_rows(profile, int(row), side)
        if rows.size:
            out[i] = profile.plaque_burden_pct[rows].max()
    return out


def _probabilities(
    profile: Profile,
    distal: IntArray,
    proximal: IntArray,
    draws: VesselDraws,
    limits: Sequence[EdgeLimit],
    n_draws: int,
) -> dict[str, FloatArray]:
    """Chance that both edges of a pair fulfil a limit; NaN where an edge has no plaque burden."""
    counts = {limit.id: np.zeros((len(distal), len(proximal))) for limit in limits}
    for window in draws.windows(n_draws):
        if not {Structure.LUMEN, Structure.EEM} <= set(window.areas_mm2):
            return {}
        burdens = burden_draws_pct(window)
        far = [
            np.stack([_largest(burdens, edge_rows(profile, int(row), side) - window.first_row) for row in places])
            if len(places)
            else np.empty((0, burdens.shape[1]))
            for places, side in ((distal, Side.DISTAL), (proximal, Side.PROXIMAL))
        ]
        for limit in limits:
            ok = [(far_side <= limit.limit_pct if limit.or_equal else far_side < limit.limit_pct) for far_side in far]
            counts[limit.id] += ok[0].astype(float) @ ok[1].astype(float).T
    known = [
        np.array([edge_rows(profile, int(row), side).size > 0 for row in places], dtype=bool)
        for places, side in ((distal, Side.DISTAL), (proximal, Side.PROXIMAL))
    ]
    both = known[0][:, None] & known[1][None, :]
    return {name: np.where(both, count / n_draws, np.nan) for name, count in counts.items()}


def burden_draws_pct(window: Window) -> FloatArray:
    """Draws of plaque burden, shape (n_rows, n_draws); the shared calibration cancels."""
    lumen, eem = window.areas_mm2[Structure.LUMEN], window.areas_mm2[Structure.EEM]
    return np.asarray(100.0 * (1.0 - lumen / np.maximum(eem, 1e-6)))


def _largest(burdens: FloatArray, rows: IntArray) -> FloatArray:
    inside = rows[(rows >= 0) & (rows < len(burdens))]
    return burdens[inside].max(axis=0) if inside.size else np.full(burdens.shape[1], np.inf)
