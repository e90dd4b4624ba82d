"""Frames as the page draws and words them: contours, what was done to a frame, numbers for JSON."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from boreline.correction import Baseline, State, border_at
from boreline.model import JsonValue, Region, Structure

HUNDREDTHS = 100


def standing(state: State, frame: int) -> str:
    """What was done to a frame, in one word."""
    if frame in state.accepted:
        return "accepted"
    if frame in state.rejected:
        return "rejected"
    if any((structure, frame) in state.edited for structure in Structure):
        return "edited"
    if any((structure, frame) in state.influenced for structure in Structure):
        return "influenced"
    return "automatic"


def drawn(baseline: Baseline, state: State, frame: int, region: Region) -> dict[str, JsonValue]:
    """One frame's contours in hundredths of a pixel of the region, and where they were not seen."""
    out: dict[str, JsonValue] = {"frame": frame + 1}
    for structure in Structure:
        border = border_at(baseline, state, structure, frame)
        if len(border) == 0:
            continue
        local = np.rint((border.xy - [region.x0, region.y0]) * HUNDREDTHS).astype(np.int64)
        out[structure.value] = local.ravel().tolist()
        if not border.seen.all():
            out[f"{structure.value}_unseen"] = np.flatnonzero(~border.seen).tolist()
    return out


def rounded(column: npt.NDArray[Any], decimals: int = 3) -> list[float | None]:
    """A column for JSON; null where unknown."""
    values = np.round(column.astype(float), decimals)
    return [float(value) if np.isfinite(value) else None for value in values]


def figure(value: float) -> float | None:
    """One number for JSON."""
    return round(float(value), 3) if np.isfinite(value) else None


def changed_between(one: State, two: State, n_frames: int) -> frozenset[int]:
    """Frames (0-based) in which two states may differ."""
    if (one.scale, one.stent) != (two.scale, two.stent):
        return frozenset(range(n_frames))
    frames = {frame for _, frame in (one.edited ^ two.edited) | (one.influenced ^ two.influenced)}
    frames |= (one.accepted ^ two.accepted) | (one.rejected ^ two.rejected)
    for before, after in ((one.borders, two.borders), (two.borders, one.borders)):
        frames |= {key[1] for key, border in before.items() if after.get(key) is not border}
    frames |= {f for f in one.places.keys() | two.places.keys() if one.places.get(f) != two.places.get(f)}
    frames |= set(one.hidden_deg.keys() | two.hidden_deg.keys())
    for edit in {*one.branches, *one.findings} ^ {*two.branches, *two.findings}:
        frames |= set(edit.indices)
    return frozenset(frames)
