"""The transducer's marker in a fluoroscopy run, by an optimal path over candidates.

Every frame offers small dark blobs; a blob is dark in *both* directions, so wires, ribs and the diaphragm are
ruled out by the smaller eigenvalue of the Hessian. Dynamic programming then finds the chain of candidates that is
dark and moves smoothly, over gaps where the marker is hidden. The heart carries every such object about; only the
transducer also travels along the vessel: of disjoint chains, best first, the first that travels is the marker.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from boreline.errors import InputRefused
from boreline.model import BoolArray, FloatArray

MARKER_MM = 1.0
"""Usual thickness to length of a transducer's marker, 0.8 to 1.8 mm: common practice, no source."""

_PER_FRAME = 10
_LONGEST_GAP_S = 1.5
_CHAINS = 4
_LEAST_TRAVEL_MM = 2.0
_CHANCE_SCORE = 4.0  # in robust standard deviations of the response; a candidate below it is not offered
_FAINTEST = 0.6  # of the usual best candidate's root score: fainter ones are worse than none
_GAP_COST = 0.2  # of one hidden frame, in units of the score's square root
_GAP_REACH = 3.0
_REACH_COST = 3.0  # of a step as long as the reach, same units
_SHORT_GAP = 4
_NEAR_THE_LINE = 0.7  # of the reach
_FARTHEST_COST = 6.0  # a longer step is no link
_FASTEST_MM_S = 120.0  # the heart's fastest systolic travel in the picture, common practice, no source


@dataclass(frozen=True, slots=True)
class Candidates:
    """Dark blobs of one frame, strongest first: places (n, 2) in pixels, and scores (n,) in noise units."""

    xy_px: FloatArray
    score: FloatArray


@dataclass(frozen=True, slots=True)
class MarkerTrack:
    """The marker frame by frame.

    Attributes
    ----------
    xy_px
        Shape (n, 2): interpolated where hidden; NaN before the first and after the last sighting.
    confidence
        Shape (n,), 0..1; 0 where the marker was not seen.
    seen
        Shape (n,): found in this frame, not interpolated.
    clicked
        Shape (n,): set by an operator.
    travel_mm
        Distance between the first and the last fifth of the track, at the isocentre's scale.
    """

    xy_px: FloatArray
    confidence: FloatArray
    seen: BoolArray
    clicked: BoolArray
    travel_mm: float

    @property
    def seen_share(self) -> float:
        """Share of the frames between first and last sighting in which the marker was found."""
        inside = np.isfinite(self.xy_px[:, 0])
        return float(self.seen[inside].mean()) if inside.any() else 0.0


def track_marker(
    frames: Iterable[npt.NDArray[np.generic]],
    times_s: FloatArray,
    mm_per_px: float,
    *,
    clicks: Mapping[int, tuple[float, float]] | None = None,
    name: str = "the fluoroscopy run",
) -> MarkerTrack:
    """Find the marker in every frame.

    Parameters
    ----------
    frames
        (rows, columns) each, dense objects dark; consumed once.
    times_s
        Shape (n,).
    mm_per_px
        At the isocentre.
    clicks
        Operator's places by 0-based frame: the track passes exactly through them.
    name
        For the refusal.

    Raises
    ------
    InputRefused
        There is no marker, or what looks like one never moves.
    """
    found = [candidates(frame, mm_per_px) for frame in frames]
    return choose_track(found, times_s, mm_per_px, clicks=clicks, name=name)


def choose_track(
    found: list[Candidates],
    times_s: FloatArray,
    mm_per_px: float,
    *,
    clicks: Mapping[int, tuple[float, float]] | None = None,
    name: str = "the fluoroscopy run",
) -> MarkerTrack:
    """The travelling chain through candidates that are at hand (so that a click costs no new search)."""
    clicks = dict(clicks or {})
    beyond = [frame for frame in clicks if not 0 <= frame < len(found)]
    if beyond:
        raise InputRefused(
            f"frame {beyond[0] + 1} is none of the {len(found)} frames of {name}",
            tag="--marker",
            remedy="count fluoroscopy frames from 1",
        )
    offered = [
        Candidates(np.array([clicks[k]], dtype=np.float64), np.array([1e3])) if k in clicks else c
        for k, c in enumerate(found)
    ]
    offered = _doubt_fixtures(offered)
    fixed = frozenset(clicks)
    farthest: MarkerTrack | None = None
    for _ in range(1 if clicks else _CHAINS):
        chain = _best_chain(offered, times_s, _FASTEST_MM_S / mm_per_px, fixed)
        reach_px_s = _own_reach_px_s(offered, chain, times_s)
        chain = _filled_in(offered, _best_chain(offered, times_s, reach_px_s, fixed), times_s, reach_px_s)
        if (chain >= 0).sum() < max(3, 0.1 * len(chain)):
            break
        track = _as_track(offered, chain, mm_per_px, fixed)
        if track.travel_mm >= _LEAST_TRAVEL_MM:
            return track
        if farthest is None or track.travel_mm > farthest.travel_mm:
            farthest = track
        offered = [_without(c, chain[k]) for k, c in enumerate(offered)]
    if farthest is None:
        raise InputRefused(
            "no marker can be seen",
            file=name,
            remedy="click on it in a few frames (--marker FRAME,X,Y), or use another run",
        )
    raise InputRefused(
        f"the marker never moves along a vessel ({farthest.travel_mm:.1f} mm from beginning to end)",
        file=name,
        remedy="use the fluoroscopy run taken during the pullback",
    )


def candidates(frame: npt.NDArray[np.generic], mm_per_px: float) -> Candidates:
    """Small dark blobs of one frame, to a fraction of a pixel.

    The response is the smaller eigenvalue of the Hessian at the marker's scale, times that scale squared, in robust
    standard deviations of the whole frame.
    """
    sigma = max(1.2, 0.5 * MARKER_MM / mm_per_px)
    smooth = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), sigma)
    xx = smooth[1:-1, 2:] - 2 * smooth[1:-1, 1:-1] + smooth[1:-1, :-2]
    yy = smooth[2:, 1:-1] - 2 * smooth[1:-1, 1:-1] + smooth[:-2, 1:-1]
    xy = (smooth[2:, 2:] - smooth[2:, :-2] - smooth[:-2, 2:] + smooth[:-2, :-2]) / 4
    half = (xx + yy) / 2
    response = half - np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    noise = 1.4826 * float(np.median(np.abs(response[::4, ::4] - np.median(response[::4, ::4])))) + 1e-9
    edge = 3
    top = cv2.dilate(response, np.ones((5, 5), np.uint8))
    peak = (response == top) & (response > _CHANCE_SCORE * noise)
    peak[:edge] = peak[-edge:] = False
    peak[:, :edge] = peak[:, -edge:] = False
    rows, columns = np.nonzero(peak)
    score = response[rows, columns] / noise
    order = np.argsort(-score)[:_PER_FRAME]
    rows, columns, score = rows[order], columns[order], score[order]
    dx = _vertex(response[rows, columns - 1], response[rows, columns], response[rows, columns + 1])
    dy = _vertex(response[rows - 1, columns], response[rows, columns], response[rows + 1, columns])
    return Candidates(np.column_stack([columns + 1 + dx, rows + 1 + dy]).astype(np.float64), score.astype(np.float64))


def _vertex(before: FloatArray, at: FloatArray, after: FloatArray) -> FloatArray:
    """Offset of a parabola's top through three neighbours."""
    bend = before - 2 * at + after
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(bend < 0, (before - after) / (2 * bend), 0.0)
    clipped: FloatArray = np.clip(offset, -0.5, 0.5)
    return clipped


def _doubt_fixtures(offered: list[Candidates]) -> list[Candidates]:
    """Lower the score of what stays at one place through the run: clips and electrodes on the chest."""
    counts = [len(c.score) for c in offered]
    if not sum(counts):
        return offered
    tree = cKDTree(np.vstack([c.xy_px for c in offered]))
    share = tree.query_ball_point(tree.data, 1.2, return_length=True) / len(offered)
    trust = 1 - 0.8 * np.clip((share - 0.2) / 0.2, 0, 1)
    parts = np.split(trust, np.cumsum(counts)[:-1])
    return [Candidates(c.xy_px, c.score * part) for c, part in zip(offered, parts, strict=True)]


def _own_reach_px_s(offered: list[Candidates], chain: npt.NDArray[np.int64], times_s: FloatArray) -> float:
    """Speed that the object of a first chain hardly ever exceeds: the second search is as strict as it allows."""
    at = np.flatnonzero(chain >= 0)
    place = np.array([offered[k].xy_px[chain[k]] for k in at]).reshape(-1, 2)
    if len(at) < 10:
        return np.inf
    speed = np.hypot(*np.diff(place, axis=0).T) / np.diff(times_s[at])
    return 2.0 * float(np.percentile(speed, 90)) + 1.5 / float(np.median(np.diff(times_s)))


def _best_chain(
    offered: list[Candidates], times_s: FloatArray, reach_px_s: float, fixed: frozenset[int]
) -> npt.NDArray[np.int64]:
    """Index of the chosen candidate per frame, -1 where the chain passes over the frame."""
    n = len(offered)
    step_s = float(np.median(np.diff(times_s)))
    longest = max(2, round(_LONGEST_GAP_S / step_s))
    reach_px = reach_px_s * step_s
    gain = _gains(offered)
    total: list[FloatArray] = []
    back: list[npt.NDArray[np.int64]] = []
    after_fixed = 0  # a chain must not pass over a fixed frame, so none may begin or reach back before the last one
    for k in range(n):
        value = gain[k] if not fixed or k <= min(fixed) else np.full(len(gain[k]), -np.inf)
        came = np.full((len(value), 2), -1, dtype=np.int64)
        earliest = after_fixed if fixed and k in fixed else max(after_fixed, k - longest)
        for j in range(k - 1, earliest - 1, -1):
            if not len(total[j]) or not len(value):
                continue
            free = k in fixed or j in fixed
            joined = total[j][None, :] - _link_cost(offered[k], offered[j], k - j, reach_px, free)
            pick = joined.argmax(axis=1)
            best = joined[np.arange(len(value)), pick] + gain[k]
            better = best > value
            value = np.where(better, best, value)
            came[better, 0] = j
            came[better, 1] = pick[better]
        total.append(value)
        back.append(came)
        if k in fixed:
            after_fixed = k
    return _walked(total, back, n)


def _gains(offered: list[Candidates]) -> list[FloatArray]:
    """What each candidate adds: less than nothing when it is much fainter than the best of most frames.

    So a chain passes over frames in which the marker is hidden rather than borrow another object.
    """
    best = [float(c.score.max()) for c in offered if len(c.score)]
    least = _FAINTEST * float(np.sqrt(np.median(best))) if best else 0.0
    return [np.sqrt(c.score) - least for c in offered]


def _link_cost(now: Candidates, before: Candidates, gap: int, reach_px: float, free: bool) -> FloatArray:
    away = np.hypot(
        now.xy_px[:, None, 0] - before.xy_px[None, :, 0],
        now.xy_px[:, None, 1] - before.xy_px[None, :, 1],
    )
    # The beating heart returns what it moves: over a gap the reach hardly grows.
    cost = _REACH_COST * (away / (reach_px * min(np.sqrt(gap), _GAP_REACH))) ** 2
    # An operator's click is reached whatever the distance.
    cost = np.minimum(cost, _FARTHEST_COST) if free else np.where(cost > _FARTHEST_COST, np.inf, cost)
    linked: FloatArray = cost + _GAP_COST * (gap - 1)
    return linked


def _walked(total: list[FloatArray], back: list[npt.NDArray[np.int64]], n: int) -> npt.NDArray[np.int64]:
    chain = np.full(n, -1, dtype=np.int64)
    ends = [(float(v.max()), k) for k, v in enumerate(total) if len(v)]
    if not ends:
        return chain
    _, k = max(ends)
    index = int(total[k].argmax())
    while k >= 0:
        chain[k] = index
        k, index = (int(v) for v in back[k][index])
    return chain


def _filled_in(
    offered: list[Candidates], chain: npt.NDArray[np.int64], times_s: FloatArray, reach_px_s: float
) -> npt.NDArray[np.int64]:
    """Take up candidates near the straight line across short gaps: faint, but where the marker must be."""
    filled = chain.copy()
    at = np.flatnonzero(chain >= 0)
    place = np.array([offered[k].xy_px[chain[k]] for k in at]).reshape(-1, 2)
    for before, after, a, b in zip(at[:-1], at[1:], place[:-1], place[1:], strict=True):
        if not 2 <= after - before <= _SHORT_GAP:
            continue
        for k in range(before + 1, after):
            expected = a + (b - a) * (times_s[k] - times_s[before]) / (times_s[after] - times_s[before])
            away = np.hypot(*(offered[k].xy_px - expected).T)
            near = reach_px_s * (times_s[k] - times_s[k - 1]) * _NEAR_THE_LINE
            if len(away) and away.min() <= near:
                filled[k] = int(away.argmin())
    return filled


def _as_track(
    offered: list[Candidates],
    chain: npt.NDArray[np.int64],
    mm_per_px: float,
    fixed: frozenset[int],
) -> MarkerTrack:
    seen = chain >= 0
    at = np.flatnonzero(seen)
    place = np.array([offered[k].xy_px[chain[k]] for k in at])
    score = np.array([offered[k].score[chain[k]] for k in at])
    every = np.arange(len(chain))
    xy = np.column_stack([np.interp(every, at, place[:, c], left=np.nan, right=np.nan) for c in range(2)])
    clicked = np.isin(every, list(fixed))
    confidence = np.zeros(len(chain))
    # 1 where the blob stands as high above the noise as this run's markers usually do, less where it is fainter.
    confidence[at] = np.clip(score / max(float(np.median(score)), 2 * _CHANCE_SCORE), 0, 1)
    confidence[clicked] = 1.0
    return MarkerTrack(xy, confidence, seen, clicked, _travel_mm(xy, mm_per_px))


def _travel_mm(xy_px: FloatArray, mm_per_px: float) -> float:
    """Distance between the mean places in the first and the last fifth: heart and breath go back, a pull does not."""
    known = xy_px[np.isfinite(xy_px[:, 0])]
    fifth = max(1, len(known) // 5)
    return float(np.hypot(*(known[-fifth:].mean(axis=0) - known[:fifth].mean(axis=0)))) * mm_per_px


def _without(offered: Candidates, index: int) -> Candidates:
    if index < 0:
        return offered
    keep = np.hypot(*(offered.xy_px - offered.xy_px[index]).T) > 2.0
    return Candidates(offered.xy_px[keep], offered.score[keep])
