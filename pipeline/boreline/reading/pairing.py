"""Which X-ray runs belong to which pullback: same study, overlapping in time, same view."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from boreline.reading.runs import FoundPullback, FoundXray
from boreline.reading.xray import RadiationSetting

SAME_VIEW_DEG = 5.0  # common practice, no source


@dataclass(frozen=True, slots=True)
class Pair:
    """A pullback with the fluoroscopy and the cine that most likely belong to it, and why."""

    pullback: FoundPullback
    fluoro: FoundXray | None
    cine: FoundXray | None
    reason: str


def pair_runs(pullbacks: Sequence[FoundPullback], xrays: Sequence[FoundXray]) -> tuple[Pair, ...]:
    """Pair each sound pullback with X-ray runs of its study.

    Fluoroscopy is the run that overlaps the pullback longest, or, without an overlap or without times, the only
    one of the study. The cine is the nearest in time among those in the fluoroscopy's view, else among all.
    """
    pairs = []
    for pullback in pullbacks:
        films = [f for f in xrays if f.study_uid == pullback.study_uid and f.study_uid and f.defect is None]
        if pullback.defect is not None or not films:
            continue
        fluoro, why = _fluoroscopy(pullback, [f for f in films if f.radiation is RadiationSetting.FLUOROSCOPY])
        cine, why_cine = _cine(pullback, fluoro, [f for f in films if f.radiation is RadiationSetting.CINE])
        if fluoro or cine:
            pairs.append(Pair(pullback, fluoro, cine, f"same study; {why}; {why_cine}"))
    return tuple(pairs)


def _fluoroscopy(pullback: FoundPullback, films: list[FoundXray]) -> tuple[FoundXray | None, str]:
    if not films:
        return None, "no fluoroscopy"
    overlaps = [(_overlap_s(pullback, film), film) for film in films]
    known = [(overlap, film) for overlap, film in overlaps if overlap is not None and overlap > 0]
    if known:
        overlap_s, best = max(known, key=lambda pair: pair[0])
        return best, f"fluoroscopy overlaps for {overlap_s:.1f} s"
    if len(films) == 1:
        timed = overlaps[0][0] is not None
        return films[0], f"the only fluoroscopy{', though at another time' if timed else ', times not stated'}"
    return None, f"none of {len(films)} fluoroscopy runs overlaps in time"


def _cine(pullback: FoundPullback, fluoro: FoundXray | None, films: list[FoundXray]) -> tuple[FoundXray | None, str]:
    if not films:
        return None, "no cine"
    alike = [film for film in films if fluoro is not None and _same_view(film, fluoro)]
    gaps = [(_gap_s(pullback.started_at, film.started_at), film) for film in alike or films]
    timed = [(gap, film) for gap, film in gaps if gap is not None]
    view = "in the same view" if alike else "in another view" if fluoro else "view not compared"
    if timed:
        gap_s, best = min(timed, key=lambda pair: pair[0])
        return best, f"cine {view}, {gap_s:.0f} s away"
    if len(gaps) == 1:
        return gaps[0][1], f"the only cine {view}"
    return None, f"{len(gaps)} cine runs without times"


def _same_view(a: FoundXray, b: FoundXray) -> bool:
    if a.view_deg is None or b.view_deg is None:
        return False
    return all(math.fabs(x - y) <= SAME_VIEW_DEG for x, y in zip(a.view_deg, b.view_deg, strict=True))


def _gap_s(a: datetime | None, b: datetime | None) -> float | None:
    """Seconds between two starts; None where one is unknown or only one states its zone."""
    if a is None or b is None or (a.tzinfo is None) != (b.tzinfo is None):
        return None
    return abs((a - b).total_seconds())


def _overlap_s(pullback: FoundPullback, film: FoundXray) -> float | None:
    if _gap_s(pullback.started_at, film.started_at) is None or pullback.duration_s is None or film.duration_s is None:
        return None
    if pullback.started_at is None or film.started_at is None:
        return None
    lead_s = (film.started_at - pullback.started_at).total_seconds()
    return min(pullback.duration_s, lead_s + film.duration_s) - max(0.0, lead_s)
