"""What an edit says about the frames beside it: where they share the error, they follow, a little less each frame.

A neighbour is compared with the edited frame's border before and after the edit, ray by ray, after the shift between
the two frames (catheter motion) is taken out. Where it resembles the old border more than the new one it moves towards
the new one, never beyond it and never against the operator; where it agreed with the new one already, it stays.
"""

from __future__ import annotations

import numpy as np

from boreline.correction.border import TURN, Border, Polar
from boreline.model import FloatArray

REACH_FRAMES = 8
N_RAYS = 128
_ALIKE = 0.06
"""Borders whose radii differ by this fraction are as likely as not the same finding (own choice)."""
_UNMOVED = 0.01
_LEAST = 1e-4


def weight(distance: int) -> float:
    """How far a neighbour follows: 1 beside the edited frame, falling smoothly to 0 beyond `REACH_FRAMES`."""
    return float(0.5 * (1.0 + np.cos(np.pi * distance / (REACH_FRAMES + 1))))


class Correction:
    """The change of one border, ready to be offered to neighbouring frames."""

    def __init__(self, before: Border, after: Border) -> None:
        self._before = Polar.of(before) if len(before) else None
        self._angles: FloatArray = TURN * np.arange(N_RAYS) / N_RAYS
        if self._before is None:
            return
        self._old = self._before.radius_at(self._angles)
        edited = Polar.of(after, self._before.apex)
        if edited is None:
            self._before = None
            return
        self._new = edited.radius_at(self._angles)

    def offer(self, neighbour: Border, distance: int) -> Border | None:
        """The neighbour's border as it follows; None when it stays as it is."""
        if self._before is None or len(neighbour) == 0:
            return None
        apex = self._before.apex + self._shift(neighbour)
        polar = Polar.of(neighbour, apex)
        if polar is None:
            return None
        here = polar.radius_at(self._angles)
        to_old, to_new = np.log(here / self._old), np.log(here / self._new)
        shares_error = 1.0 / (1.0 + np.exp(np.clip((to_old**2 - to_new**2) / (2.0 * _ALIKE**2), -50.0, 50.0)))
        change = np.log(self._new / self._old)
        wanted = np.where(change > 0, np.clip(-to_new, 0.0, change), np.clip(-to_new, change, 0.0))
        move = weight(distance) * shares_error * wanted
        if np.abs(move).max() < _LEAST:
            return None
        at = np.mod(polar.angle, TURN) * N_RAYS / TURN
        left = np.floor(at).astype(np.intp) % N_RAYS
        part = at - np.floor(at)
        moved = (1.0 - part) * move[left] + part * move[(left + 1) % N_RAYS]
        return polar.stretched(np.where(np.abs(moved) < _LEAST, 0.0, moved)).border

    def _shift(self, neighbour: Border) -> FloatArray:
        """Motion between the frames, from the arcs that the edit left alone; from the centres when it left none."""
        assert self._before is not None
        centred = neighbour.centre - self._before.border.centre
        polar = Polar.of(neighbour, self._before.apex)
        still = np.exp(-((np.log(self._new / self._old) / _UNMOVED) ** 2))
        if polar is None or still.sum() < N_RAYS / 4:
            return np.asarray(centred)
        design = np.column_stack([np.cos(self._angles), np.sin(self._angles)])
        weighted = design * still[:, None]
        difference = polar.radius_at(self._angles) - self._old
        return np.asarray(np.linalg.solve(weighted.T @ design, weighted.T @ difference))
