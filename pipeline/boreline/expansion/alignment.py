"""Before and after: two profiles of one vessel laid over each other along their length.

Either by places that the operator identifies in both runs (piecewise linear between them), or by dynamic alignment
of the EEM areas (of the lumen where the EEM is not measured), which implantation changes least. The residual is
always reported: the root mean square of the aligned areas' difference, and for fiducials the distance by which each
of them is missed when it is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from boreline.errors import InputRefused
from boreline.model import FloatArray, JsonValue
from boreline.profile.record import Profile
from boreline.profile.sites import Site, site_at

SPACING_MM = 0.5
_ROUNDING_MM = 1e-6
_STEP_PENALTY = 0.05


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where each place of the later run lies in the earlier one.

    `after_mm` and `before_mm` have shape (n,), both rising; `residual_mm2` is the root mean square difference of the
    areas used, `residual_mm` that of fiducials left out in turn (NaN with fewer than three).
    """

    after_mm: FloatArray
    before_mm: FloatArray
    method: str
    residual_mm2: float
    residual_mm: float


def align_by_fiducials(before: Profile, after: Profile, pairs: Sequence[tuple[float, float]]) -> Alignment:
    """Align by places (before, after) in mm identified in both runs; outside them lengths are kept.

    Raises
    ------
    InputRefused
        No pair, places outside a run, or pairs that are not in the same order in both runs.
    """
    if not pairs:
        raise InputRefused(
            "alignment needs at least one place identified in both runs",
            tag="fiducial",
            remedy="add a [[fiducial]] with before_mm and after_mm to the case file",
        )
    for place_before, place_after in pairs:
        before.row_at(place_before)
        after.row_at(place_after)
    ordered = np.array(sorted(pairs, key=lambda pair: pair[1]), dtype=float)
    if len(ordered) > 1 and np.any(np.diff(ordered, axis=0) <= 0):
        raise InputRefused(
            "the places are not in the same order in both runs",
            tag="fiducial",
            remedy="correct before_mm or after_mm of the pair that crosses another",
        )
    grid = np.arange(after.position_mm[0], after.position_mm[-1] + _ROUNDING_MM, SPACING_MM)
    mapped = _piecewise(grid, ordered)
    misses = [
        _piecewise(ordered[[k], 1], np.delete(ordered, k, axis=0))[0] - ordered[k, 0]
        for k in range(len(ordered))
        if len(ordered) >= 3
    ]
    miss_mm = float(np.sqrt(np.mean(np.square(misses)))) if misses else float("nan")
    return _within(before, after, grid, mapped, "fiducials set by the operator", miss_mm)


def align_dynamically(before: Profile, after: Profile) -> Alignment:
    """Align by dynamic programming over the EEM areas (lumen areas where too few EEMs were measured).

    Raises
    ------
    InputRefused
        Less than 5 mm of either run can be compared.
    """
    name = "eem_area_mm2"
    if min(np.isfinite(before.eem_area_mm2).mean(), np.isfinite(after.eem_area_mm2).mean()) < 0.5:
        name = "lumen_area_mm2"
    x, a = _sampled(before, getattr(before, name))
    y, b = _sampled(after, getattr(after, name))
    if min(len(a), len(b)) * SPACING_MM < 5.0:
        raise InputRefused("too little of the two runs can be compared to align them", remedy="set fiducials")
    scale = max(float(np.std(np.concatenate([a, b]))), 1e-6)
    path = _path(np.square((a[:, None] - b[None, :]) / scale))
    # One place of the earlier run per place of the later one: the middle of those that it was matched with.
    columns = np.unique(path[:, 1])
    mapped = np.array([x[path[path[:, 1] == column, 0]].mean() for column in columns])
    words = "EEM" if name.startswith("eem") else "lumen"
    return _within(before, after, y[columns], mapped, f"dynamic alignment of {words} areas", float("nan"))


def compare(before: Profile, after: Profile, alignment: Alignment) -> dict[str, JsonValue]:
    """Gain per position and plaque shift over the aligned stretch, for `assessment.json`."""
    values = {}
    for name, lengths in (("before", alignment.before_mm), ("after", alignment.after_mm)):
        profile = before if name == "before" else after
        values[name] = {
            border: _interpolate(profile, getattr(profile, f"{border}_area_mm2"), lengths)
            for border in ("lumen", "eem")
        }
    gain = values["after"]["lumen"] - values["before"]["lumen"]
    plaque = {name: borders["eem"] - borders["lumen"] for name, borders in values.items()}
    shift = plaque["after"] - plaque["before"]
    return {
        "method": alignment.method,
        "residual_mm2": _plain(alignment.residual_mm2),
        "residual_mm": _plain(alignment.residual_mm),
        "position_mm": np.round(alignment.after_mm, 3).tolist(),
        "position_before_mm": np.round(alignment.before_mm, 3).tolist(),
        "lumen_gain_mm2": _list(gain),
        "eem_gain_mm2": _list(values["after"]["eem"] - values["before"]["eem"]),
        "plaque_change_mm2": _list(shift),
        "mean_lumen_gain_mm2": _mean(gain),
        "mean_plaque_change_mm2": _mean(shift),
    }


def same_sites(
    before: Profile, after: Profile, alignment: Alignment, sites: Mapping[str, Site]
) -> dict[str, dict[str, JsonValue] | None]:
    """What the earlier run showed at the places of the later one, for `assessment.json`; None outside the overlap."""
    out: dict[str, dict[str, JsonValue] | None] = {}
    for name, site in sites.items():
        place_mm = site_in_before_mm(alignment, site.position_mm, after.step_mm)
        if place_mm is None:
            out[name] = None
            continue
        earlier = site_at(before, before.row_at(place_mm))
        out[name] = {
            "after": site.as_json(),
            "before": earlier.as_json(),
            "lumen_gain_mm2": _plain(site.lumen_area_mm2 - earlier.lumen_area_mm2),
            "eem_gain_mm2": _plain(site.eem_area_mm2 - earlier.eem_area_mm2),
        }
    return out


def site_in_before_mm(alignment: Alignment, after_mm: float, tolerance_mm: float) -> float | None:
    """The earlier run's position of a place in the later one; None outside the aligned stretch."""
    known = alignment.after_mm
    if known.size == 0 or not known[0] - tolerance_mm <= after_mm <= known[-1] + tolerance_mm:
        return None
    return float(np.interp(after_mm, known, alignment.before_mm))


def _piecewise(after_mm: FloatArray, pairs: FloatArray) -> FloatArray:
    inside = np.interp(after_mm, pairs[:, 1], pairs[:, 0])
    below = np.minimum(after_mm - pairs[0, 1], 0.0)
    above = np.maximum(after_mm - pairs[-1, 1], 0.0)
    return np.asarray(inside + below + above)


def _within(
    before: Profile, after: Profile, after_mm: FloatArray, before_mm: FloatArray, method: str, miss_mm: float
) -> Alignment:
    inside = (before_mm >= before.position_mm[0]) & (before_mm <= before.position_mm[-1])
    after_mm, before_mm = after_mm[inside], before_mm[inside]
    name = "eem_area_mm2" if np.isfinite(after.eem_area_mm2).any() else "lumen_area_mm2"
    difference = _interpolate(after, getattr(after, name), after_mm) - _interpolate(
        before, getattr(before, name), before_mm
    )
    known = difference[np.isfinite(difference)]
    residual = float(np.sqrt(np.mean(known**2))) if known.size else float("nan")
    return Alignment(after_mm, before_mm, method, residual, miss_mm)


def _sampled(profile: Profile, area: FloatArray) -> tuple[FloatArray, FloatArray]:
    known = np.isfinite(area)
    if known.sum() < 2:
        return np.empty(0), np.empty(0)
    x = np.arange(profile.position_mm[known][0], profile.position_mm[known][-1], SPACING_MM)
    return x, np.interp(x, profile.position_mm[known], area[known])


def _interpolate(profile: Profile, area: FloatArray, places_mm: FloatArray) -> FloatArray:
    return np.asarray(np.interp(places_mm, profile.position_mm, area))


def _path(cost: FloatArray) -> FloatArray:
    """Cheapest path through `cost` with free ends, steps (1,1), (2,1) and (1,2) so that lengths at most double.

    Rows and columns outside the overlap cost nothing, but the path covers at least half of the shorter run; the mean
    cost per step is what is compared.
    """
    n, m = cost.shape
    total = np.full((n, m), np.inf)
    steps = np.zeros((n, m))
    came = np.zeros((n, m), dtype=np.int64)
    total[0, :], total[:, 0] = cost[0, :], cost[:, 0]
    steps[0, :] = steps[:, 0] = 1
    moves = ((1, 1), (2, 1), (1, 2))
    for i in range(1, n):
        for j in range(1, m):
            best, from_move = np.inf, 0
            for k, (di, dj) in enumerate(moves):
                if i >= di and j >= dj:
                    price = total[i - di, j - dj] + cost[i, j] * max(di, dj) + (_STEP_PENALTY if k else 0.0)
                    if price < best:
                        best, from_move = price, k
            total[i, j], came[i, j] = best, from_move
            di, dj = moves[from_move]
            steps[i, j] = steps[i - di, j - dj] + max(di, dj)
    ends = [(i, m - 1) for i in range(n)] + [(n - 1, j) for j in range(m)]
    # The far corner always is: its path runs through at least as many steps as the shorter run has places.
    long_enough = [end for end in ends if steps[end] >= min(n, m) / 2]
    i, j = min(long_enough, key=lambda end: total[end] / steps[end])
    path = [(i, j)]
    while i > 0 and j > 0:
        di, dj = moves[came[i, j]]
        i, j = i - di, j - dj
        path.append((i, j))
    return np.array(path[::-1])


def _plain(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _list(values: FloatArray) -> list[float | None]:
    return [None if not np.isfinite(value) else round(float(value), 4) for value in values]


def _mean(values: FloatArray) -> float | None:
    return float(np.nanmean(values)) if np.any(np.isfinite(values)) else None
