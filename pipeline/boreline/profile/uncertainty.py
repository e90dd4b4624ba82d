"""Uncertainties carried from contours, calibration, axis and the choice of reference to everything derived.

Monte Carlo with a fixed seed, in chunks, so memory does not grow with the number of draws. Contour errors are drawn
through the smoothed posterior of each border (`boreline.profile.smoothing`). Calibration and axis scale are shared by
all frames: one factor per draw, which cancels in ratios but not in absolute areas and lengths.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from boreline.errors import InputRefused
from boreline.model import BoolArray, FloatArray, JsonValue, Structure
from boreline.profile.record import Profile
from boreline.profile.smoothing import Smoothed, smooth

SEED = 20240229
N_DRAWS = 10_000
CHUNK = 1_000
LOW, HIGH = 0.025, 0.975
_MEDIAN_INEFFICIENCY = math.pi / 2


@dataclass(frozen=True, slots=True)
class SharedUncertainty:
    """What `run.json` says about errors that frames share; None = not stated (left out, and said so).

    `area_correlation_frames` is the 1/e length of contour errors in frames.
    """

    calibration_relative_sd: float | None = None
    axis_scale_relative_sd: float | None = None
    axis_local_sd_mm: float | None = None
    axis_correlation_mm: float | None = None
    area_correlation_frames: float = 1.0

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> SharedUncertainty:
        """From the `uncertainty` entry of `run.json`.

        Raises
        ------
        InputRefused
            An entry is no number of at least 0.
        """
        stored = record.get("uncertainty") or {}
        values = {name: stored[name] for name in cls.__slots__ if stored.get(name) is not None}
        for name, value in values.items():
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not (number and math.isfinite(value) and value >= 0):
                raise InputRefused(
                    f"{value!r} is no uncertainty",
                    file="run.json",
                    tag=f"uncertainty.{name}",
                    remedy="analyse the run again, or restore run.json",
                )
        return cls(**values)

    @property
    def left_out(self) -> tuple[str, ...]:
        """What is not known and therefore not in the intervals."""
        names = {
            "calibration_relative_sd": "calibration",
            "axis_scale_relative_sd": "length scale of the axis",
            "axis_local_sd_mm": "local errors of the axis",
        }
        return tuple(text for name, text in names.items() if getattr(self, name) is None)


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with its uncertainty: `value` as read, draws of the truth or None when nothing is known about it."""

    value: float
    draws: FloatArray | None = None

    @property
    def sd(self) -> float | None:
        """Standard uncertainty."""
        return None if self.draws is None else float(np.std(self.draws))

    @property
    def interval(self) -> tuple[float, float] | None:
        """95 % interval."""
        if self.draws is None:
            return None
        low, high = np.quantile(self.draws, [LOW, HIGH])
        return float(low), float(high)

    @property
    def middle(self) -> float:
        """Median of the draws; the value itself without any."""
        return self.value if self.draws is None else float(np.median(self.draws))

    def centred(self) -> Measured:
        """The same spread about the value as read (published cut-offs come from uncorrected readers)."""
        return self if self.draws is None else Measured(self.value, self.draws - self.middle + self.value)

    def as_json(self) -> dict[str, JsonValue]:
        """Value, standard uncertainty and 95 % interval; None where not known."""
        interval = self.interval
        return {
            "value": self.value if math.isfinite(self.value) else None,
            "sd": self.sd,
            "low": None if interval is None else interval[0],
            "high": None if interval is None else interval[1],
        }


@dataclass(frozen=True, slots=True)
class Window:
    """Draws of the rows [`first_row`, `first_row` + n): arrays of shape (n, n_draws), calibration included.

    A border whose readings carry no uncertainty is absent from `areas_mm2`. `scale` is the calibration factor of
    lengths in each draw, shape (n_draws,); `stretch` is the axis's.
    """

    first_row: int
    areas_mm2: Mapping[Structure, FloatArray]
    scale: FloatArray
    stretch: FloatArray
    random: np.random.Generator


class VesselDraws:
    """Draws of a profile's borders between two rows."""

    def __init__(
        self,
        profile: Profile,
        shared: SharedUncertainty,
        first_row: int,
        last_row: int,
        *,
        structures: tuple[Structure, ...] = tuple(Structure),
        jumps: tuple[int, ...] = (),
    ) -> None:
        """`jumps`: rows at which areas may change at once (`boreline.profile.smoothing.smooth`)."""
        self._first = max(first_row, 0)
        self._rows = slice(self._first, min(last_row, profile.n_rows - 1) + 1)
        self._shared = shared
        self.correlation = row_correlation(profile, shared)
        self._smoothed: dict[Structure, Smoothed] = {}
        local = [row - self._first for row in jumps]
        for structure in structures:
            area, sd = border(profile, structure)
            used = (profile.n_frames > 0) & np.isfinite(area) & np.isfinite(sd)
            smoothed = _smooth_window(profile, shared, area[self._rows], sd[self._rows], used[self._rows], local)
            if smoothed is not None:
                self._smoothed[structure] = smoothed

    def windows(self, n_draws: int = N_DRAWS, seed: int = SEED) -> Iterator[Window]:
        """Chunks of draws, `n_draws` in total."""
        random = np.random.default_rng(seed)
        for start in range(0, n_draws, CHUNK):
            n = min(CHUNK, n_draws - start)
            scale = _factor(self._shared.calibration_relative_sd, n, random)
            stretch = _factor(self._shared.axis_scale_relative_sd, n, random)
            areas = {}
            for structure, smoothed in self._smoothed.items():
                areas[structure] = smoothed.draws(n, random)
                np.maximum(areas[structure], 0.0, out=areas[structure])
                areas[structure] *= scale**2
            yield Window(self._first, areas, scale, stretch, random)

    def collect(
        self, quantities: Callable[[Window], Mapping[str, FloatArray]], n_draws: int = N_DRAWS
    ) -> dict[str, FloatArray]:
        """Apply `quantities` to every chunk and join what it returns: name -> shape (n_draws,)."""
        parts: dict[str, list[FloatArray]] = {}
        for window in self.windows(n_draws):
            for name, values in quantities(window).items():
                parts.setdefault(name, []).append(values)
        return {name: np.concatenate(chunks) for name, chunks in parts.items()}

    def expected(self, structure: Structure) -> FloatArray | None:
        """Expected true areas of the window's rows, calibration apart; None without uncertainties."""
        smoothed = self._smoothed.get(structure)
        return None if smoothed is None else smoothed.mean


def length_draws_mm(length_mm: float, shared: SharedUncertainty, window: Window) -> FloatArray:
    """Draws of the distance between two places: shared scale, and local errors that cancel when places are near."""
    local = shared.axis_local_sd_mm or 0.0
    reach = shared.axis_correlation_mm or 0.0
    together = math.exp(-abs(length_mm) / reach) if reach > 0 else 0.0
    sd = local * math.sqrt(2.0 * (1.0 - together))
    return length_mm * window.stretch + sd * window.random.standard_normal(len(window.stretch))


def border(profile: Profile, structure: Structure) -> tuple[FloatArray, FloatArray]:
    """Areas and standard uncertainties of one border."""
    return {
        Structure.LUMEN: (profile.lumen_area_mm2, profile.lumen_area_sd_mm2),
        Structure.EEM: (profile.eem_area_mm2, profile.eem_area_sd_mm2),
        Structure.STENT: (profile.stent_area_mm2, profile.stent_area_sd_mm2),
    }[structure]


def row_correlation(profile: Profile, shared: SharedUncertainty) -> float:
    """Correlation of contour errors between neighbouring rows that were read."""
    frames_per_row = _frames_per_row(profile)
    if shared.area_correlation_frames <= 0:
        return 0.0
    return min(math.exp(-frames_per_row / shared.area_correlation_frames), 0.999)


def row_sd_factor(n_frames: float, correlation_frames: float) -> float:
    """How much smaller the error of the median of `n_frames` frames is than that of one of them.

    Frames correlate with a 1/e length of `correlation_frames`; fully correlated frames gain nothing. The independent
    part of a median is pi/2 less efficient than that of a mean.
    """
    n = max(round(n_frames), 1)
    r = math.exp(-1.0 / correlation_frames) if correlation_frames > 0 else 0.0
    lags = np.arange(1, n)
    variance = (n + 2.0 * np.sum((n - lags) * r**lags)) / n**2
    if n > 2:
        independent = (1.0 - r) / (1.0 + r)
        variance *= 1.0 + (_MEDIAN_INEFFICIENCY - 1.0) * independent
    return math.sqrt(min(variance, 1.0))


def _frames_per_row(profile: Profile) -> float:
    """Typical frames per row; below 1 when rows lie closer together than the frames."""
    read = profile.n_frames > 0
    if not read.any():
        return 1.0
    return float(np.median(profile.n_frames[read])) if read.mean() > 0.9 else float(1.0 / read.mean())


def _smooth_window(
    profile: Profile,
    shared: SharedUncertainty,
    area: FloatArray,
    sd: FloatArray,
    used: BoolArray,
    jumps: list[int],
) -> Smoothed | None:
    if np.count_nonzero(used) < 3:
        return None
    read = profile.n_frames > 0
    per_row = float(np.median(profile.n_frames[read]))
    factor = row_sd_factor(per_row, shared.area_correlation_frames)
    return smooth(
        area,
        sd * factor,
        used,
        row_correlation=row_correlation(profile, shared),
        step_mm=profile.step_mm,
        jumps=jumps,
    )


def _factor(relative_sd: float | None, n: int, random: np.random.Generator) -> FloatArray:
    """Shared scale factors; drawn even when the uncertainty is not known, so that other draws do not shift."""
    scores = random.standard_normal(n)
    return np.maximum(1.0 + (relative_sd or 0.0) * scores, 0.05)
