"""Cardiac gating: which frames share one phase of the heart beat, from R waves or from the pictures.

From R waves, the frame nearest to each R wave is kept. Without them the heart shows in how much the picture
changes from frame to frame: that signal is band-passed at the heart rate and the stillest frame of each beat is
kept (after Hernandez-Sabate et al., IEEE Trans Ultrason 2011;58:60-72, and O'Malley 2006). Image-based gating
is less exact than readers are among each other (Bajaj et al. 2021: 59 +/- 207 ms against 3 +/- 112 ms), so the
result is scored and not used when the beats do not look alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import maximum_filter1d

from boreline.model import BoolArray, FloatArray, Frame, GreyImage, IntArray, Run

SLOWEST_BEAT_HZ = 0.6
FASTEST_BEAT_HZ = 3.0
"""36 to 180 beats per minute: common practice, no source."""
LEAST_COHERENCE = 0.45
"""Below this the pictures are not used for gating: beats picked from pure noise reach 0.38 (40 draws of 30 s)."""

_PHASE_BINS = 12
_LEAST_BEATS = 4
_SIGNAL_WIDTH_PX = 96


class GatingSource(StrEnum):
    """What the phase was read from."""

    R_WAVES = "r_waves"
    IMAGES = "images"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Gating:
    """Frames of one cardiac phase.

    Attributes
    ----------
    gated
        Shape (n_frames,); all false when `source` is NONE.
    beat_s
        Times of the kept phase, seconds from the first frame.
    phase
        Shape (n_frames,), 0..1 from one kept phase to the next, NaN outside the beats.
    coherence
        How far the change signal repeats from beat to beat: 1 = all alike, 0 = not at all; NaN when not assessed.
    rate_per_min
        Median heart rate, NaN when unknown.
    """

    source: GatingSource
    gated: BoolArray
    beat_s: FloatArray
    phase: FloatArray
    coherence: float
    rate_per_min: float
    detail: str


def gate(run: Run, *, change: FloatArray | None = None) -> Gating:
    """Gate a run by its R waves, else by its pictures; never forced.

    Parameters
    ----------
    run
        With frame times.
    change
        The signal of `change_signal` when it is at hand; it is computed from the pixels when it is needed.
    """
    times_s = run.timing.times_s
    if times_s is None or len(times_s) < 2:
        return _ungated(run.n_frames, "no usable frame times")
    if run.timing.r_waves_s.size >= 2:
        return gate_from_r_waves(times_s, run.timing.r_waves_s, change=change)
    return gate_from_change(times_s, change_signal(run) if change is None else change)


def gate_from_r_waves(times_s: FloatArray, r_waves_s: FloatArray, *, change: FloatArray | None = None) -> Gating:
    """Keep the frame nearest to each R wave that lies within the run."""
    spacing_s = float(np.median(np.diff(times_s)))
    inside = (r_waves_s >= times_s[0] - spacing_s / 2) & (r_waves_s <= times_s[-1] + spacing_s / 2)
    beats = np.sort(r_waves_s[inside])
    if len(beats) < 2:
        return _ungated(len(times_s), "fewer than two R waves within the run")
    phase = beat_phase(times_s, beats)
    coherence = np.nan if change is None else phase_coherence(change, times_s, beats)
    return _from_beats(GatingSource.R_WAVES, times_s, beats, phase, coherence, "(0018,6060) R Wave Time Vector")


def gate_from_change(times_s: FloatArray, change: FloatArray) -> Gating:
    """Keep the stillest frame of each beat, if beats can be told in the change signal.

    Parameters
    ----------
    times_s
        Shape (n_frames,).
    change
        Shape (n_frames,), from `change_signal`.
    """
    rate_hz = (len(times_s) - 1) / (times_s[-1] - times_s[0])
    if rate_hz < 4 * FASTEST_BEAT_HZ / 2 or times_s[-1] - times_s[0] < _LEAST_BEATS / SLOWEST_BEAT_HZ:
        return _ungated(len(times_s), "too few frames per second, or too short, to tell heart beats in the pictures")
    even_s = np.linspace(times_s[0], times_s[-1], len(times_s))
    signal = _tamed(np.interp(even_s, times_s, change))
    wide = _band(signal, SLOWEST_BEAT_HZ, FASTEST_BEAT_HZ * 1.5, rate_hz)
    beat_hz = _beat_rate_hz(wide, rate_hz)
    if beat_hz is None:
        return _ungated(len(times_s), "no heart rate stands out in the change from frame to frame")
    narrow = _band(signal, 0.6 * beat_hz, min(1.5 * beat_hz, 0.45 * rate_hz), rate_hz)
    beats = even_s[_summits(-narrow, max(1, int(0.6 * rate_hz / beat_hz)))]
    if len(beats) < _LEAST_BEATS:
        return _ungated(len(times_s), "fewer than four heart beats in the pictures")
    coherence = phase_coherence(change, times_s, beats)
    if not coherence >= LEAST_COHERENCE:
        return _ungated(
            len(times_s), f"the beats do not resemble each other (coherence {coherence:.2f})", coherence=coherence
        )
    phase = beat_phase(times_s, beats)
    return _from_beats(GatingSource.IMAGES, times_s, beats, phase, coherence, "change from frame to frame")


class ChangeSignal:
    """Mean absolute change of the cross-section from the frame before, collected while frames stream past.

    Pictures are reduced first, which averages speckle. Frames may be added more than once and in any order; a change is
    known where a frame was added right after the one before it. One reduced frame is in memory.
    """

    def __init__(self, run: Run) -> None:
        self._region = run.region
        # One row in `factor`: the mean over the picture averages speckle well enough at a fraction of the work.
        self._factor = 2 * max(1, run.region.width_px // (2 * _SIGNAL_WIDTH_PX))
        self._change = np.full(run.n_frames, np.nan)
        self._before: GreyImage | None = None
        self._before_number = -2

    def add(self, frame: Frame) -> None:
        """Compare one frame with the one before it."""
        now: GreyImage | None = None
        if frame.grey is not None:
            region, factor = self._region, self._factor
            height, width = region.height_px // factor, region.width_px // factor
            cut = frame.grey[region.y0 : region.y0 + height * factor : factor, region.x0 : region.x0 + width * factor]
            now = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
            if self._before is not None and frame.number == self._before_number + 1:
                self._change[frame.number] = float(np.mean(cv2.absdiff(now, self._before)))
        self._before, self._before_number = now, frame.number

    def signal(self) -> FloatArray:
        """Shape (n_frames,), grey levels; the first frame and frames without picture take their neighbours' value."""
        known = np.flatnonzero(np.isfinite(self._change))
        if not known.size:
            return np.zeros(len(self._change))
        filled: FloatArray = np.interp(np.arange(len(self._change)), known, self._change[known])
        return filled


def change_signal(run: Run) -> FloatArray:
    """The change signal of a whole run, from its pixels."""
    change = ChangeSignal(run)
    for frame in run.frames():
        change.add(frame)
    return change.signal()


def beat_phase(times_s: FloatArray, beat_s: FloatArray) -> FloatArray:
    """Phase 0..1 of each time between the beats around it; NaN before the first and after the last beat."""
    count = np.interp(times_s, beat_s, np.arange(len(beat_s)), left=np.nan, right=np.nan)
    phase: FloatArray = count % 1.0
    return phase


def extended_beats(beat_s: FloatArray, times_s: FloatArray) -> FloatArray:
    """Beats continued at their median spacing until they cover all times."""
    beats = np.sort(beat_s)
    spacing = float(np.median(np.diff(beats)))
    before = max(0, int(np.ceil((beats[0] - times_s[0]) / spacing)))
    after = max(0, int(np.ceil((times_s[-1] - beats[-1]) / spacing)))
    return np.concatenate(
        [beats[0] - spacing * np.arange(before, 0, -1), beats, beats[-1] + spacing * np.arange(1, after + 1)]
    )


def phase_coherence(signal: FloatArray, times_s: FloatArray, beat_s: FloatArray) -> float:
    """How far a signal repeats from beat to beat.

    Each beat's course over the phase is correlated with the mean course of all *other* beats; the mean of these
    correlations is returned, 0 when negative, NaN with fewer than three whole beats. Leaving the beat itself out
    keeps noise from agreeing with itself.
    """
    tamed = _tamed(signal)
    centres = (np.arange(_PHASE_BINS) + 0.5) / _PHASE_BINS
    courses = []
    for start, end in pairwise(beat_s):
        course = np.interp(start + centres * (end - start), times_s, tamed)
        courses.append(course - course.mean())
    if len(courses) < 3:
        return float("nan")
    stack = np.array(courses)
    total = stack.sum(axis=0)
    correlations = []
    for course in stack:
        others = total - course
        norm = float(np.linalg.norm(course) * np.linalg.norm(others))
        correlations.append(float(course @ others) / norm if norm > 0 else 0.0)
    return max(0.0, float(np.mean(correlations)))


def _tamed(signal: FloatArray) -> FloatArray:
    # Cuts (a jump of the hand, a changed gain) would ring through the band-pass: limit them to robust bounds.
    centre = float(np.median(signal))
    spread = 1.4826 * float(np.median(np.abs(signal - centre)))
    if spread == 0:
        return signal - centre
    tamed: FloatArray = np.clip(signal - centre, -4 * spread, 4 * spread)
    return tamed


def _beat_rate_hz(signal: FloatArray, rate_hz: float) -> float | None:
    # The lag of the highest autocorrelation: robust where the spectrum's first harmonic is not the largest.
    n = len(signal)
    spectrum = np.fft.rfft(signal - signal.mean(), 2 * n)
    auto = np.fft.irfft(np.abs(spectrum) ** 2)[:n] / np.arange(n, 0, -1)
    if auto[0] <= 0:
        return None
    lags = np.arange(int(rate_hz / FASTEST_BEAT_HZ), min(int(rate_hz / SLOWEST_BEAT_HZ) + 1, n // 2))
    peaks: IntArray = _summits(auto[lags[0] - 1 : lags[-1] + 2], 1) + lags[0] - 1
    if not peaks.size:
        return None
    best = peaks[np.argmax(auto[peaks])]
    # A double lag correlates as well: take the shortest lag that is nearly as good.
    good = peaks[auto[peaks] >= 0.85 * auto[best]]
    lag = int(good.min())
    return rate_hz / lag if auto[lag] > 0.1 * auto[0] else None


def _band(signal: FloatArray, low_hz: float, high_hz: float, rate_hz: float) -> FloatArray:
    """A Butterworth band pass of second order, forwards and backwards: no delay, gain as its squared magnitude.

    By its frequency response, since the library that designs filters costs every analysis 50 MB of memory. The ends
    are continued by their point reflection.
    """
    n = len(signal)
    before, after = 2 * signal[0] - signal[:0:-1], 2 * signal[-1] - signal[-2::-1]
    longer = np.concatenate([before, signal, after])
    hz = np.fft.rfftfreq(len(longer), 1 / rate_hz)
    # The bilinear transform's warping, so that the edges lie where a digital filter has them.
    warped, low, high = (np.tan(np.pi * np.minimum(f / rate_hz, 0.4999)) for f in (hz, low_hz, high_hz))
    with np.errstate(divide="ignore"):
        detuning = (warped**2 - low * high) / (warped * (high - low))
    passed: FloatArray = np.fft.irfft(np.fft.rfft(longer) / (1 + detuning**4), len(longer))[n - 1 : 2 * n - 1]
    return passed


def _summits(values: FloatArray, apart: int) -> IntArray:
    """Places higher than both neighbours and than everything less than `apart` steps away, the ends left out."""
    highest = maximum_filter1d(values, 2 * max(apart, 2) - 1)
    places: IntArray = (
        np.flatnonzero((values[1:-1] == highest[1:-1]) & (values[1:-1] > values[:-2]) & (values[1:-1] > values[2:])) + 1
    )
    return places


def _from_beats(
    source: GatingSource, times_s: FloatArray, beats: FloatArray, phase: FloatArray, coherence: float, detail: str
) -> Gating:
    gated = np.zeros(len(times_s), dtype=np.bool_)
    gated[np.abs(times_s[:, None] - beats[None, :]).argmin(axis=0)] = True
    return Gating(source, gated, beats, phase, coherence, 60 / float(np.median(np.diff(beats))), detail)


def _ungated(n_frames: int, reason: str, *, coherence: float = float("nan")) -> Gating:
    return Gating(
        GatingSource.NONE,
        np.zeros(n_frames, dtype=np.bool_),
        np.empty(0),
        np.full(n_frames, np.nan),
        coherence,
        float("nan"),
        reason,
    )
