"""The bright halo around the catheter (ring-down): fixed for a run, learnt from it, and taken off again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.model import BoolArray, FloatArray
from boreline.segmentation.polar import PolarBlock

SEARCH_MM = 1.2
"""Ring-down lies within this distance of the catheter's axis (sheaths measure 0.4 to 0.6 mm; common practice)."""
_GAP = 4  # samples that may vary between two rings of the halo
_RISE = 6.0  # grey levels by which the tail may rise again before it counts as ended
_STAND_OUT = 0.9  # the halo is at least about as bright as the ordinary picture,
_FADE = 0.75  # the picture behind it is darker by this factor,
_STEADY = 0.7  # and it varies less than ordinary speckle does, by this factor


@dataclass(frozen=True, slots=True)
class NearField:
    """The run's halo.

    Attributes
    ----------
    start, end
        Samples of its peak and of the end of its tail; both 0 when the run has none.
    excess
        Shape (N_SAMPLES,): grey levels that it adds at each depth.
    weight
        Shape (N_SAMPLES,), 0..1: how much the picture still tells at each depth.
    """

    start: int
    end: int
    excess: npt.NDArray[np.float32]
    weight: npt.NDArray[np.float32]

    @classmethod
    def none(cls, n_samples: int) -> NearField:
        """A run without a halo."""
        return cls(0, 0, np.zeros(n_samples, np.float32), np.ones(n_samples, np.float32))

    @property
    def blind_to(self) -> int:
        """The first sample beyond the halo's peak at which the picture tells something."""
        useful = np.flatnonzero(self.weight[self.start :] > 0.3)
        return self.start + int(useful[0]) if useful.size else self.end


def learn_near_field(blocks: Sequence[PolarBlock], mm_per_sample: float) -> NearField:
    """Find the halo: bright, at one radius at every angle and in every frame, and darker behind."""
    pixels = np.concatenate([block[:, ::4].reshape(-1, block.shape[2]) for block in blocks]).astype(np.float32)
    n_samples = pixels.shape[1]
    reach = min(int(SEARCH_MM / mm_per_sample), n_samples // 2)
    quarter, middle, three_quarters = np.percentile(pixels, [25, 50, 75], axis=0)
    spread = (three_quarters - quarter) / 1.349  # of a normal distribution; blind to the guidewire
    peak = int(np.argmax(middle[:reach]))
    ordinary = float(np.percentile(middle[reach // 2 :], 75))
    ordinary_spread = max(float(np.median(spread[peak + 5 : int(0.8 * n_samples)])), 1.0)
    end = _end_of_tail(middle, spread < _STEADY * ordinary_spread, peak, n_samples // 2)
    lowest = float(middle[end])
    if (
        end - peak < 3
        or middle[peak] < _STAND_OUT * ordinary
        or lowest > _FADE * middle[peak]
        or spread[peak] > _STEADY * ordinary_spread
    ):
        return NearField.none(n_samples)
    excess = np.zeros(n_samples, np.float32)
    excess[peak : end + 1] = np.maximum(middle[peak : end + 1] - lowest, 0.0)
    weight = np.clip((spread / ordinary_spread - 0.25) / 0.35, 0.0, 1.0).astype(np.float32)
    weight[: peak + 3] = 0.0
    weight[end:] = 1.0
    return NearField(peak, end, excess, weight)


def _end_of_tail(middle: FloatArray, steady: BoolArray, peak: int, limit: int) -> int:
    """Where the halo ends: behind its last steady sample (it may come in rings), once the level stops falling."""
    end = peak
    for d in range(peak, limit):
        if steady[d]:
            end = d
        elif d - end > _GAP:
            break
    lowest = end
    for d in range(end, limit):
        if middle[d] < middle[lowest]:
            lowest = d
        elif middle[d] > middle[lowest] + _RISE:
            break
    return lowest
