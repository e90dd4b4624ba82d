"""When the frames were taken: the Cine module (PS3.3 C.7.6.5), and the clock behind it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

import numpy as np

from boreline.errors import InputRefused
from boreline.model import FloatArray, Timing
from boreline.reading.attributes import Attributes, tag_name

_FRAME_TIME = 0x00181063
_FRAME_TIME_VECTOR = 0x00181065
_USUAL_RATE_HZ = (5.0, 200.0)
_SAME_DURATION = 0.05
_SAME_RATE = 0.01
_DATE_TIME = re.compile(r"(\d{8})(\d{2})?(\d{2})?(\d{2})?(\.\d{1,6})?([+-]\d{4})?", re.ASCII)
_ZONE = re.compile(r"[+-]\d{4}", re.ASCII)


def read_timing(
    attributes: Attributes, n_frames: int, *, stated_frames: int | None = None, frame_rate_hz: float | None = None
) -> tuple[Timing, list[str]]:
    """Times of the frames in seconds from the first, or why there are none.

    Parameters
    ----------
    n_frames
        Frames that can be read.
    stated_frames
        Frames that the file declares, which a vector must match; `n_frames` when not given.
    frame_rate_hz
        The operator's frame rate; used instead of the file's own timing.

    Returns
    -------
    Timing
    list of str
        Warnings.

    Raises
    ------
    InputRefused
        `frame_rate_hz` is not a positive number.
    """
    notes: list[str] = []
    own, origin = _own_times(attributes, n_frames, stated_frames or n_frames)
    if frame_rate_hz is None:
        times = own
        if own is None and n_frames > 1:
            notes.append(f"no usable timing: {origin}")
        elif own is not None:
            _check_rate(own, attributes, stated_frames or n_frames, notes)
    else:
        if not (np.isfinite(frame_rate_hz) and frame_rate_hz > 0):
            raise InputRefused(f"{frame_rate_hz!r} is no frame rate", tag="--frame-rate", remedy="state it in Hz, > 0")
        times = np.arange(n_frames) / frame_rate_hz
        if own is not None and n_frames > 1 and abs(own[-1] - times[-1]) > _SAME_RATE * times[-1]:
            notes.append(f"--frame-rate {frame_rate_hz:g} contradicts {origin}: {(n_frames - 1) / own[-1]:.4g} Hz")
        origin = f"--frame-rate {frame_rate_hz:g}"
    return Timing(
        times_s=times,
        origin=origin,
        r_waves_s=_r_waves(attributes, notes),
        acquired_at=acquired_at(attributes, notes),
        clock_uid=clock_uid(attributes),
    ), notes


def _own_times(attributes: Attributes, n_frames: int, stated_frames: int) -> tuple[FloatArray | None, str]:
    try:
        pointed = attributes.tags("FrameIncrementPointer")
        vector = _FRAME_TIME_VECTOR in pointed or (
            _FRAME_TIME not in pointed and attributes.has("FrameTimeVector") and not attributes.has("FrameTime")
        )
        keyword = "FrameTimeVector" if vector else "FrameTime"
        if not attributes.has(keyword):
            return None, f"{tag_name(keyword)} is missing"
        return _from_vector(attributes, n_frames, stated_frames) if vector else _from_interval(attributes, n_frames)
    except InputRefused as fault:
        return None, f"{fault.tag}: {fault.problem}"


def _from_interval(attributes: Attributes, n_frames: int) -> tuple[FloatArray | None, str]:
    interval_ms = attributes.number("FrameTime") or 0.0
    if interval_ms <= 0 and n_frames > 1:
        return None, f"{tag_name('FrameTime')}: {interval_ms:g} ms is no interval"
    return np.arange(n_frames) * interval_ms / 1000, f"{tag_name('FrameTime')} {interval_ms:g} ms"


def _from_vector(attributes: Attributes, n_frames: int, stated_frames: int) -> tuple[FloatArray | None, str]:
    increments_ms = np.array(attributes.numbers("FrameTimeVector"))
    name = tag_name("FrameTimeVector")
    if len(increments_ms) != stated_frames or len(increments_ms) < n_frames:
        return None, f"{name}: {len(increments_ms)} values for {stated_frames} frames"
    if np.any(increments_ms[1:] < 0):
        return None, f"{name}: time runs backwards"
    if n_frames > 1 and not np.any(increments_ms[1:] > 0):
        return None, f"{name}: all intervals are 0"
    times_s = np.cumsum(increments_ms[:n_frames]) / 1000
    return times_s - times_s[0], name


def _check_rate(times_s: FloatArray, attributes: Attributes, stated_frames: int, notes: list[str]) -> None:
    if len(times_s) < 2 or times_s[-1] <= 0:
        return
    interval_s = float(np.median(np.diff(times_s))) or times_s[-1] / (len(times_s) - 1)
    low, high = _USUAL_RATE_HZ
    if not low <= 1 / interval_s <= high:
        notes.append(f"unusual frame rate: {1 / interval_s:.4g} Hz")
    try:
        duration_s = attributes.number("EffectiveDuration")
    except InputRefused:
        return
    expected_s = times_s[-1] / (len(times_s) - 1) * stated_frames
    if duration_s and abs(duration_s - expected_s) > _SAME_DURATION * expected_s + interval_s:
        notes.append(
            f"{tag_name('EffectiveDuration')} {duration_s:g} s contradicts the frame times ({expected_s:.4g} s)"
        )


def _r_waves(attributes: Attributes, notes: list[str]) -> FloatArray:
    try:
        peaks_s = np.array(attributes.numbers("RWaveTimeVector"), dtype=np.float64) / 1000
    except InputRefused as fault:
        notes.append(f"{fault.tag}: {fault.problem}; R waves are not used")
        return np.empty(0)
    return np.sort(peaks_s)


def acquired_at(attributes: Attributes, notes: list[str]) -> str | None:
    """Start of the first frame in ISO 8601, with its zone where the file states one.

    From Acquisition DateTime; else from Acquisition, then Content, Date and Time, which is said in `notes`. In a
    triggered acquisition that is the time of the trigger, and Image Trigger Delay is added (PS3.3 C.7.6.5).
    """
    zone = attributes.text("TimezoneOffsetFromUTC")
    stated = attributes.text("AcquisitionDateTime")
    if stated and (iso := _iso(stated, zone, _trigger_delay_ms(attributes, notes))):
        return iso
    for kind in ("Acquisition", "Content"):
        date, time = attributes.text(f"{kind}Date"), attributes.text(f"{kind}Time")
        if date and time and (iso := _iso(date + time, zone)):
            notes.append(f"start of acquisition taken from {tag_name(kind + 'Date')} and {kind}Time")
            return iso
    return None


def _trigger_delay_ms(attributes: Attributes, notes: list[str]) -> float:
    if attributes.text("SynchronizationTrigger") in (None, "NO TRIGGER"):
        return 0.0
    try:
        return attributes.number("ImageTriggerDelay") or 0.0
    except InputRefused as fault:
        notes.append(f"{fault.tag}: {fault.problem}; not used")
        return 0.0


def _iso(text: str, zone: str | None, delay_ms: float = 0.0) -> str | None:
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        return None
    date, hour, minute, second, fraction, own_zone = match.groups()
    stated_zone = own_zone or (zone if zone and _ZONE.fullmatch(zone) else None)
    try:
        moment = datetime.strptime(
            f"{date}{hour or '00'}{minute or '00'}{min(int(second or 0), 59):02d}", "%Y%m%d%H%M%S"
        ).replace(microsecond=round(float(fraction or 0) * 1e6) % 1_000_000, tzinfo=_zone(stated_zone))
    except ValueError:
        return None
    try:
        moment += timedelta(milliseconds=delay_ms)
    except OverflowError:
        return None
    return moment.isoformat() if stated_zone else moment.replace(tzinfo=None).isoformat()


def _zone(offset: str | None) -> timezone:
    if offset is None:
        return UTC
    minutes = int(offset[1:3]) * 60 + int(offset[3:5])
    return timezone(timedelta(minutes=-minutes if offset[0] == "-" else minutes))


def clock_uid(attributes: Attributes) -> str | None:
    """The clock's UID, only where the file declares its time synchronised with it (PS3.3 C.7.4.2)."""
    if attributes.text("AcquisitionTimeSynchronized") != "Y":
        return None
    return attributes.text("SynchronizationFrameOfReferenceUID")
