"""How long an echo is along a ray, and so how far behind the rise of grey the border itself lies.

The echo of a wall does not begin at the wall: a pulse has a length, and its first part already brightens the blood in
front. A display shows the logarithm of the power, in which those first parts stand out; so half of the rise of *grey*
comes well before half of the rise of *power*, which is where the wall begins if the scanner's ranges are those of the
middle of its pulse. How far before grows with the pulse's length and with the step in decibels. Both are measured in
the run: the length by how fast speckle changes along a ray, the decibels by how much it varies (a law of fully
developed speckle, whatever the display's range). A scanner whose ranges are those of the pulse's front would have
borders nearer by as much; no picture can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray
from boreline.segmentation.features import Bytes

SPECKLE_SD_DB = 5.57
"""Standard deviation of the logarithm of fully developed speckle (Goodman, in Dainty ed., Laser Speckle, 1975)."""
_TREND_MM = 0.2  # slower changes along a ray are tissue, not speckle
_TO_MM = 4.0
_DARKEST, _BRIGHTEST = 8, 247  # beyond these a display clips
_LARGEST_LAG = 12
_LEAST_SAMPLES = 2000
_SMOOTH_RAYS = 3.0
_HALF_WIDTHS_PER_ROOT_DB = 0.255
"""An echo falls off with the square of the distance in decibels: distance goes with the root of the step. The factor:
speckle drawn for it, steps of 6 to 30 dB, pulses that rise as fast as they fade and ones that do not (0.22 to 0.32);
and within that, where the lumens of both phantoms err by as much."""
_STRUT_HALF_WIDTHS = 1.0  # from where a clipped echo is at its full height to its middle


@dataclass(frozen=True, slots=True)
class AxialEcho:
    """Length and depth of the run's speckle; both 0 where the run has none.

    Attributes
    ----------
    half_width
        Distance along a ray at which the correlation of speckle has fallen to one half, samples.
    levels_per_db
        Grey levels per decibel of power.
    """

    half_width: float
    levels_per_db: float

    def lag(self, rise: FloatArray) -> FloatArray:
        """Samples from the rise of grey to the border, for steps of `rise` grey levels."""
        step_db = np.maximum(rise, 0.0) / max(self.levels_per_db, 1e-6)
        behind: FloatArray = _HALF_WIDTHS_PER_ROOT_DB * self.half_width * np.sqrt(step_db)
        return behind

    @property
    def strut_lag(self) -> float:
        """Samples from the rise of a strut's echo to the strut."""
        return _STRUT_HALF_WIDTHS * self.half_width

    def border(self, edge: FloatArray, rise: FloatArray, seen: BoolArray) -> FloatArray:
        """Borders from where grey rises, all (n_frames, n_rays); those not `seen` rise as the others do."""
        known: BoolArray = seen & np.isfinite(rise)
        usual = np.where(known, rise, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        even = gaussian_filter1d(np.where(known, rise, usual[:, None]), _SMOOTH_RAYS, axis=1, mode="wrap")
        border: FloatArray = edge + self.lag(even)
        return border


def axial_echo(pictures: Sequence[Bytes], first: int, mm_per_sample: float, speckled: float) -> AxialEcho:
    """Measure the echoes in a few polar pictures, from sample `first` on; `speckled` as from `edges.speckle_share`."""
    last = max(int(_TO_MM / mm_per_sample), first + 1)
    block = np.stack([picture[:, first:last] for picture in pictures]).astype(np.float32)
    counts = (block > _DARKEST) & (block < _BRIGHTEST)
    if counts.sum() < _LEAST_SAMPLES:
        return AxialEcho(0.0, 0.0)
    speckle = np.where(counts, block - gaussian_filter1d(block, _TREND_MM / mm_per_sample, axis=-1), 0.0)
    power = float((speckle**2).sum() / counts.sum())
    half_width, before = float(_LARGEST_LAG), 1.0
    for lag in range(1, min(_LARGEST_LAG, block.shape[-1] - 1) + 1):
        pairs = (counts[..., lag:] & counts[..., :-lag]).sum()
        correlation = float((speckle[..., lag:] * speckle[..., :-lag]).sum() / max(pairs, 1)) / max(power, 1e-6)
        if correlation < 0.5:
            half_width = lag - (0.5 - correlation) / (before - correlation)
            break
        before = correlation
    return AxialEcho(speckled * half_width, float(np.sqrt(power)) / SPECKLE_SD_DB)
