"""Stretches along a pullback: frames judged together, not one by one.

Evidence of single frames is weak and flickers; what it speaks of (a stent, a guide catheter) is one or a few
consecutive stretches, found by maximising a sum of log odds.
"""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray


@compiled
def _two_states(log_odds: FloatArray, change_cost: float) -> BoolArray:
    n = len(log_odds)
    came_from = np.zeros((n, 2), dtype=np.bool_)  # state of the frame before, per state of this frame
    off, on = 0.0, log_odds[0] - change_cost
    for i in range(1, n):
        switch_on, switch_off = off - change_cost, on - change_cost
        came_from[i, 1] = on >= switch_on
        came_from[i, 0] = switch_off > off
        off, on = max(off, switch_off), max(on, switch_on) + log_odds[i]
    states = np.zeros(n, dtype=np.bool_)
    # A stretch that reaches the last frame pays for its end too, so that neither end of the run is favoured.
    state = on - change_cost > off
    for i in range(n - 1, -1, -1):
        states[i] = state
        state = came_from[i, 1] if state else came_from[i, 0]
    return states


def likely_stretches(log_odds: FloatArray, change_cost: float) -> BoolArray:
    """The most probable on/off sequence, shape (n_frames,), when each change of state costs `change_cost`.

    A stretch is on only when its log odds add up to more than twice the cost; a gap inside a stretch is kept off only
    when it adds up to less than minus twice the cost. Frames with NaN say nothing.
    """
    if len(log_odds) == 0:
        return np.zeros(0, dtype=np.bool_)
    return _two_states(np.nan_to_num(np.asarray(log_odds, dtype=np.float64)), change_cost)
