"""When the fluoroscopy ran, on the IVUS run's clock: by the operator, by synchronised clocks, or by common motion."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from boreline.errors import InputRefused
from boreline.model import FloatArray, Timing

_SYNCHRONISED_SD_S = 0.05  # of two clocks that declare themselves synchronised: common practice, no source
_OPERATOR_SD_S = 0.2  # of a person reading two clocks or naming one common event: common practice, no source
_MATCHED_SD_S = 0.1
_UNCONFIRMED_SD_S = 1.0
_LEAST_OVERLAP_S = 1.0
_GRID_HZ = 30.0
_SEARCH_S = 8.0
_LEAST_CORRELATION = 0.35
_UNIQUE = 0.9
_OTHER_PEAK_S = 0.4
_REMEDY = "state --offset S, the seconds from the first IVUS frame to the first fluoroscopy frame"


@dataclass(frozen=True, slots=True)
class Offset:
    """Seconds from the first IVUS frame to the first fluoroscopy frame.

    `source` is operator, clocks, motion or unconfirmed; `sd_s` its standard uncertainty.
    """

    offset_s: float
    source: str
    sd_s: float
    detail: str


def stated_offset(ivus: Timing, fluoro: Timing, *, offset_s: float | None, file: str) -> Offset:
    """The offset by the operator, else by the acquisition times.

    Parameters
    ----------
    offset_s
        The operator's word, which overrides the clocks.
    file
        Of the fluoroscopy, for refusals.

    Returns
    -------
    Offset
        `unconfirmed` where the times are stated but not declared synchronised: then they are a hint
        (PS3.3 C.7.4.2).

    Raises
    ------
    InputRefused
        No times, or no overlap of the two runs.
    """
    if ivus.times_s is None:
        raise InputRefused("the IVUS run has no usable frame times", remedy="analyse it again with --frame-rate HZ")
    if fluoro.times_s is None:
        raise InputRefused(
            "the fluoroscopy has no usable frame times",
            file=file,
            remedy="export it again with Frame Time (0018,1063) or Frame Time Vector (0018,1065)",
        )
    if offset_s is not None:
        if not np.isfinite(offset_s):
            raise InputRefused(f"{offset_s} is no number of seconds", tag="--offset", remedy=_REMEDY)
        found = Offset(float(offset_s), "operator", _OPERATOR_SD_S, f"--offset {offset_s:g} s")
    else:
        found = _by_clocks(ivus, fluoro, file)
    overlap_s = overlap(ivus.times_s, fluoro.times_s + found.offset_s)
    if overlap_s < _LEAST_OVERLAP_S:
        raise InputRefused(
            f"the fluoroscopy starts {found.offset_s:+.1f} s from the IVUS run and does not overlap with it in time",
            file=file,
            tag="(0008,002A) AcquisitionDateTime",
            remedy=_REMEDY,
        )
    return found


def _by_clocks(ivus: Timing, fluoro: Timing, file: str) -> Offset:
    try:
        starts = [datetime.fromisoformat(timing.acquired_at or "") for timing in (ivus, fluoro)]
        seconds = (starts[1] - starts[0]).total_seconds()
    except (ValueError, TypeError):  # absent, or only one of them states its zone
        raise InputRefused(
            "the start times of the two runs cannot be compared",
            file=file,
            tag="(0008,002A) AcquisitionDateTime",
            remedy=_REMEDY,
        ) from None
    if ivus.clock_uid is not None and ivus.clock_uid == fluoro.clock_uid:
        return Offset(seconds, "clocks", _SYNCHRONISED_SD_S, "acquisition times on one synchronised clock")
    return Offset(seconds, "unconfirmed", _UNCONFIRMED_SD_S, "acquisition times of clocks not declared synchronised")


def overlap(a_s: FloatArray, b_s: FloatArray) -> float:
    """Seconds that two runs share."""
    return max(0.0, float(min(a_s[-1], b_s[-1]) - max(a_s[0], b_s[0])))


def refined_offset(
    start: Offset, ivus_s: FloatArray, ivus_change: FloatArray, fluoro_s: FloatArray, marker_px: FloatArray
) -> Offset:
    """An unconfirmed offset improved by common motion: what shakes the marker also changes the IVUS picture.

    The two signals are compared over +/- 8 s; without one clear best match the start value is returned. Beats
    alone repeat; uneven beats, the onset and the end of the pull make the match unique.
    """
    grid = np.arange(0.0, float(fluoro_s[-1]), 1 / _GRID_HZ)
    known = np.isfinite(marker_px[:, 0])
    if known.sum() < 2:
        return start
    place = np.column_stack([np.interp(grid, fluoro_s[known], marker_px[known, c]) for c in range(2)])
    shaken = _standardised(np.hypot(*np.gradient(place, axis=0).T))
    lags = np.arange(-_SEARCH_S, _SEARCH_S + 1e-9, 1 / _GRID_HZ)
    match = np.full(len(lags), -1.0)
    for k, lag in enumerate(lags):
        at = grid + start.offset_s + lag
        inside = (at >= ivus_s[0]) & (at <= ivus_s[-1])
        if inside.sum() > 4 * _GRID_HZ:
            match[k] = float(
                np.mean(_standardised(np.interp(at[inside], ivus_s, ivus_change)) * _standardised(shaken[inside]))
            )
    best = int(match.argmax())
    others = match[np.abs(lags - lags[best]) > _OTHER_PEAK_S]
    if match[best] < _LEAST_CORRELATION or (others.size and others.max() > _UNIQUE * match[best]):
        return start
    return Offset(
        start.offset_s + float(lags[best]),
        "motion",
        _MATCHED_SD_S,
        f"common motion of marker and IVUS picture (correlation {match[best]:.2f}), "
        f"{lags[best]:+.2f} s from {start.detail}",
    )


def _standardised(values: FloatArray) -> FloatArray:
    limited = np.minimum(values, np.percentile(values, 98))
    spread = float(np.std(limited))
    result: FloatArray = (limited - limited.mean()) / (spread or 1.0)
    return result
