"""The motion of the transducer as the file declares it (PS3.3 C.8.5.6)."""

from __future__ import annotations

from boreline.errors import InputRefused
from boreline.model import Pullback, PullbackKind
from boreline.reading.attributes import Attributes, tag_name

_KINDS = {
    **{kind.value: kind for kind in PullbackKind if kind is not PullbackKind.UNKNOWN},
    "MOTORIZED": PullbackKind.MOTOR,  # the words of the optical coherence class, which leak into ultrasound
    "MANUAL": PullbackKind.MANUAL,
}
_USUAL_SPEED_MM_S = (0.1, 20.0)  # common practice, no source


def read_pullback(attributes: Attributes, n_frames: int) -> tuple[Pullback, list[str]]:
    """Kind, rate and moving frames; a bad rate costs the positions, not the run.

    Returns
    -------
    Pullback
        `problem` says why a declared rate cannot be used.
    list of str
        Warnings.
    """
    notes: list[str] = []
    word = attributes.text("IVUSAcquisition")
    kind = PullbackKind.UNKNOWN if word is None else _KINDS.get(word.upper(), PullbackKind.UNKNOWN)
    if word and kind is PullbackKind.UNKNOWN:
        notes.append(f"{tag_name('IVUSAcquisition')}: unknown term {word[:40]!r}")
    if kind not in (PullbackKind.MOTOR, PullbackKind.GATED):
        return Pullback(kind), notes
    keyword = "IVUSPullbackRate" if kind is PullbackKind.MOTOR else "IVUSGatedRate"
    try:
        rate = _rate(attributes, keyword)
        start, stop = _moving(attributes, n_frames, notes)
    except InputRefused as fault:
        return Pullback(kind, problem=f"{fault.tag}: {fault.problem}"), notes
    if kind is PullbackKind.GATED:
        return Pullback(kind, gated_mm_per_beat=rate, start_frame=start, stop_frame=stop), notes
    low, high = _USUAL_SPEED_MM_S
    if not low <= rate <= high:
        notes.append(f"{tag_name(keyword)}: {rate:g} mm/s is an unusual speed")
    return Pullback(kind, speed_mm_s=rate, start_frame=start, stop_frame=stop), notes


def _rate(attributes: Attributes, keyword: str) -> float:
    rate = attributes.number(keyword)
    if rate is None:
        raise attributes.refusal("is missing", keyword)
    if rate <= 0:
        raise attributes.refusal(f"{rate:g} is no rate", keyword)
    return rate


def _moving(attributes: Attributes, n_frames: int, notes: list[str]) -> tuple[int | None, int | None]:
    """First and last moving frame, from 0."""
    frames: list[int | None] = []
    for keyword in ("IVUSPullbackStartFrameNumber", "IVUSPullbackStopFrameNumber"):
        number = attributes.integer(keyword)
        if number is not None and not 1 <= number <= n_frames:
            notes.append(f"{tag_name(keyword)}: frame {number} is outside 1 to {n_frames} and was clipped")
            number = min(max(number, 1), n_frames)
        frames.append(None if number is None else number - 1)
    start, stop = frames
    if start is None or stop is None:
        missing = "IVUSPullbackStartFrameNumber" if start is None else "IVUSPullbackStopFrameNumber"
        notes.append(f"{tag_name(missing)} is missing: the motor is taken to move to the end of the run on that side")
    elif start > stop:
        raise attributes.refusal(
            f"frame {start + 1} comes after the stop frame {stop + 1}", "IVUSPullbackStartFrameNumber"
        )
    return start, stop
