"""A corrected border followed through the neighbouring pictures, and how far neighbours' own borders go along with it.

From the edited frame outwards, the wall's pattern along the border is looked for in the next picture near where it was
in the last. A neighbour's own border moves to the place so found only where the operator changed something, where the
place looks more like the corrected border than the neighbour's own border does, and as long as the pattern is found
as well as it was next to the edit. An operator's neighbouring frame ends the search.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from boreline.correction.border import TURN, Border, Polar
from boreline.correction.evidence import (
    ANGLES,
    N_RAYS,
    PATTERN_STEPS,
    Strip,
    edge_rise,
    edge_score,
    likeness,
    offsets,
    pattern_at,
    round_smooth,
    spread_of,
    strip,
)
from boreline.correction.pictures import PictureOf
from boreline.model import FloatArray, GreyImage
from boreline.segmentation.surfaces import closed_path, sub_sample

SEARCH_STEPS = 12
"""How far the border may move from one frame to the next: 0.24 mm on either side."""
_REACH_STEPS = PATTERN_STEPS + SEARCH_STEPS
_N_COLUMNS = 2 * SEARCH_STEPS + 1
_EDGE_WEIGHT = 0.3
_STIFFNESS = 0.04
_NEWEST = 0.7
"""Share of the last frame's pattern in the one that is looked for; the rest is the edited frame's."""
_LEAST_RADIUS_MM = 0.1
_HAND_MM = 0.06
"""Twice the error of a hand-drawn border: what differs by less is the same."""
_ALIKE_FROM, _ALIKE_FULLY = 0.3, 0.6
_GAIN_FULLY = 0.2
_LOST_FROM, _LOST = 2.0, 3.0
"""Mismatch, as a multiple of that beside the edited frame, from which and at which a search is given up."""
_LEAST_MISMATCH = 0.02
_NEAR_RAYS = N_RAYS // 8
"""What the operator changed counts this far (45 degrees) to either side."""
_LEAST_MOVE = 1e-4


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the border was found: radius (mm), likeness and score per ray."""

    radius: FloatArray
    alike: FloatArray
    score: FloatArray


class Follower:
    """One corrected border, offered to the frames on either side.

    `one_way` lets neighbours move only as the operator moved this border: outwards or inwards.
    """

    def __init__(self, grey: GreyImage, before: Border, after: Border, mm_per_px: FloatArray, *, one_way: bool) -> None:
        self._mm = mm_per_px
        polar = Polar.of(after, after.centre)
        self.usable = polar is not None
        if polar is None:
            return
        self._apex, self._drawn = polar.apex, polar.radius_at(ANGLES)
        view = strip(grey, self._apex, self._drawn, _REACH_STEPS, mm_per_px)
        self._pattern = pattern_at(view, _REACH_STEPS)
        self._spread = spread_of(edge_rise(view, PATTERN_STEPS, _N_COLUMNS))
        old = Polar.of(before, self._apex) if len(before) else None
        self._touched, self._way = np.ones(N_RAYS), 0
        if old is not None:
            change = self._drawn - old.radius_at(ANGLES)
            most = maximum_filter1d(np.abs(change), 2 * _NEAR_RAYS + 1, mode="wrap")
            self._touched = 1.0 - np.exp(-((most / _HAND_MM) ** 2))
            self._way = int(np.sign(change.sum())) if one_way else 0

    def along(
        self, frames: Sequence[int], borders: Sequence[Border], picture_of: PictureOf
    ) -> Iterator[tuple[int, Border]]:
        """Frames whose border moves, with it; `frames` lead away from the edited one, `borders` are in millimetres."""
        at, pattern = self._drawn, self._pattern
        first_mismatch: float | None = None
        trust = 1.0
        for frame, border in zip(frames, borders, strict=True):
            grey = picture_of(frame)
            if grey is None:
                return
            found = self._search(grey, at, pattern)
            mismatch = float(1.0 - found.alike.mean())
            first_mismatch = max(mismatch, _LEAST_MISMATCH) if first_mismatch is None else first_mismatch
            trust = min(trust, float(np.clip(_LOST - mismatch / first_mismatch, 0.0, _LOST - _LOST_FROM)))
            if trust <= 0.0:
                return
            moved = self._offered(grey, border, found, pattern, trust)
            if moved is not None:
                yield frame, moved
            at = found.radius
            here = pattern_at(strip(grey, self._apex, at, PATTERN_STEPS, self._mm), PATTERN_STEPS)
            pattern = _NEWEST * here + (1.0 - _NEWEST) * self._pattern

    def _search(self, grey: GreyImage, near: FloatArray, pattern: Strip) -> _Place:
        view = strip(grey, self._apex, near, _REACH_STEPS, self._mm)
        alike = likeness(view, pattern, PATTERN_STEPS, _N_COLUMNS)
        score = alike + _EDGE_WEIGHT * edge_score(edge_rise(view, PATTERN_STEPS, _N_COLUMNS), self._spread)
        cost = np.ascontiguousarray(-score, dtype=np.float32)
        path = closed_path(cost, 2, _STIFFNESS)
        moved = np.interp(sub_sample(cost, path), np.arange(_N_COLUMNS), offsets(SEARCH_STEPS))
        rays = np.arange(N_RAYS)
        radius = np.maximum(near + moved, _LEAST_RADIUS_MM)
        return _Place(radius, alike[rays, path].astype(np.float64), score[rays, path].astype(np.float64))

    def _offered(self, grey: GreyImage, border: Border, found: _Place, pattern: Strip, trust: float) -> Border | None:
        polar = Polar.of(border, self._apex) if len(border) else None
        if polar is None:
            return None
        here = polar.radius_at(ANGLES)
        view = strip(grey, self._apex, here, PATTERN_STEPS, self._mm)
        rise = edge_rise(view, PATTERN_STEPS, 1)
        own = (likeness(view, pattern, PATTERN_STEPS, 1) + _EDGE_WEIGHT * edge_score(rise, self._spread))[:, 0]
        apart = found.radius - here
        share = np.clip((round_smooth(found.alike, 3.0) - _ALIKE_FROM) / (_ALIKE_FULLY - _ALIKE_FROM), 0.0, 1.0)
        share *= 1.0 - np.exp(-((apart / _HAND_MM) ** 2))
        share *= np.clip(round_smooth(found.score - own, 4.0) / _GAIN_FULLY, 0.0, 1.0)
        share = trust * round_smooth(round_smooth(share, 3.0) * self._touched, 2.0)
        move = np.log1p(share * apart / here)
        if self._way:
            move = np.where(move * self._way > 0.0, move, 0.0)
        if np.abs(move).max() < _LEAST_MOVE:
            return None
        position = np.mod(polar.angle, TURN) * N_RAYS / TURN
        moved = np.interp(position, np.arange(N_RAYS + 1), np.append(move, move[0]))
        return polar.stretched(np.where(np.abs(moved) < _LEAST_MOVE, 0.0, moved)).border
