"""A scripted reader: how many frames must be corrected, in the order of the review page's queue, and what it gains.

The reader looks at nothing but what the queue offers. A lumen that fits the truth is accepted; one that does not is
drawn anew with the hand's own error, and its neighbours follow as they do on the page. Counted are frames looked at
and frames drawn, until the mean overlap over the vessel's frames reaches the goal or the queue is empty.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from boreline.benchmark.cases import LabelledRun, open_case
from boreline.correction import Baseline, Edited, FrameCache, State, apply_edit, border_at, edited_result
from boreline.correction.edits import Accept, Stroke
from boreline.errors import InputRefused
from boreline.geometry import polygon_centroid_px, polygon_radii_mm, radii_polygon_px
from boreline.geometry.overlap import polygon_overlap
from boreline.model import FloatArray, JsonValue, Structure, Timing
from boreline.position import axis_from_pullback
from boreline.profile.frames import frames_table
from boreline.segmentation.protocol import Segmenter
from boreline.workflow.doubt import Doubt, doubt
from boreline.workflow.review_figures import read_figures
from boreline_phantoms import Scene

GOAL = 0.95
GOOD_ENOUGH = 0.95
"""The reader's eye: a lumen that overlaps the truth by this much is accepted as it is."""
HAND_SD_MM = 0.03
"""Smooth error of a hand-drawn border: an assumption, no source; optimistic for hard frames."""
HAND_WAVES = 5
N_DRAWN = 96
LUMEN = Structure.LUMEN


@dataclass(frozen=True, slots=True)
class Effort:
    """One run, read by the script. Overlaps are mean Jaccard indices of the lumen over the vessel's frames.

    `read_to_end` is true when the queue was empty before the goal was reached. `changed_for_worse` counts frames that
    followed a neighbour and lost more than 0.01 of overlap.
    """

    case: str
    difficulty: str
    n_frames: int
    overlap_before: float
    overlap_after: float
    low_frames_before: int
    low_frames_after: int
    looked_at: int
    drawn: int
    reached: bool
    read_to_end: bool
    changed_for_worse: int

    @property
    def drawn_pct(self) -> float:
        """Share of the run's frames that had to be drawn."""
        return 100.0 * self.drawn / self.n_frames

    def as_json(self) -> dict[str, JsonValue]:
        """For a document."""
        return {**asdict(self), "drawn_pct": self.drawn_pct, "looked_at_pct": 100.0 * self.looked_at / self.n_frames}


def measure_reader(
    cases: Sequence[Scene | Path],
    segmenter: Segmenter,
    *,
    threads: int = 1,
    tell: Callable[[str], None] = lambda _: None,
) -> list[Effort]:
    """Segment each case and read it."""
    efforts = []
    for case in cases:
        with open_case(case) as labelled:
            tell(labelled.name)
            segmentation = segmenter.segment(labelled.run, threads=threads)
            baseline = Baseline(segmentation, labelled.run.calibration, FrameCache(labelled.run))
            efforts.append(read_run_by_queue(labelled, baseline))
    return efforts


def read_run_by_queue(labelled: LabelledRun, baseline: Baseline, *, goal: float = GOAL) -> Effort:
    """Correct one run in the order of the queue."""
    random = np.random.default_rng(zlib.crc32(labelled.name.encode()))
    state = State()
    before = overlaps(labelled, baseline, state)
    now = before.copy()
    looked_at: set[int] = set()
    drawn: set[int] = set()
    queue = _queue(labelled, baseline, state)
    while np.nanmean(now) < goal and len(queue.order):
        frame = int(queue.order[0])
        looked_at.add(frame)
        state, changed = _correct(labelled, baseline, state, frame, random)
        if changed - {frame} or now[frame] < GOOD_ENOUGH:
            drawn.add(frame)
            for other in changed:
                now[other] = _overlap(labelled, baseline, state, other)
        queue = _queue(labelled, baseline, state)
    return Effort(
        labelled.name,
        labelled.difficulty,
        int(np.count_nonzero(np.isfinite(before))),
        float(np.nanmean(before)),
        float(np.nanmean(now)),
        int(np.count_nonzero(before < GOOD_ENOUGH)),
        int(np.count_nonzero(now < GOOD_ENOUGH)),
        len(looked_at),
        len(drawn),
        bool(np.nanmean(now) >= goal),
        len(queue.order) == 0,
        int(np.count_nonzero(before - now > 0.01)),
    )


def overlaps(labelled: LabelledRun, baseline: Baseline, state: State) -> FloatArray:
    """Jaccard index of the lumen per frame: 0 where it was not found, NaN where there is nothing to find."""
    return np.array([_overlap(labelled, baseline, state, frame) for frame in range(baseline.n_frames)])


def _overlap(labelled: LabelledRun, baseline: Baseline, state: State, frame: int) -> float:
    truth = labelled.truth[LUMEN].polygon(frame)
    if not labelled.vessel[frame] or len(truth) == 0:
        return float("nan")
    found = border_at(baseline, state, LUMEN, frame).xy
    return 0.0 if len(found) < 3 else polygon_overlap(found, truth, baseline.calibration).jaccard


def _correct(
    labelled: LabelledRun, baseline: Baseline, state: State, frame: int, random: np.random.Generator
) -> tuple[State, frozenset[int]]:
    """Accept the frame, or draw its lumen and accept that."""
    changed: frozenset[int] = frozenset()
    if _overlap(labelled, baseline, state, frame) < GOOD_ENOUGH:
        points = _by_hand(labelled, frame, random)
        stroke = Stroke(frame=frame + 1, structure=LUMEN, points_px=tuple((x, y) for x, y in points), closed=True)
        try:
            state, changed = apply_edit(baseline, state, stroke)
        except InputRefused:
            changed = frozenset()
    state, _ = apply_edit(baseline, state, Accept(first=frame + 1, last=frame + 1))
    return state, changed


def _by_hand(labelled: LabelledRun, frame: int, random: np.random.Generator) -> list[tuple[float, float]]:
    """The true lumen with a smooth error of `HAND_SD_MM`, as a hand would draw it."""
    calibration = labelled.run.calibration
    truth = labelled.truth[LUMEN].polygon(frame)
    centre = polygon_centroid_px(truth)
    radii = polygon_radii_mm(truth, calibration, centre, N_DRAWN)
    angle = 2.0 * np.pi * np.arange(N_DRAWN) / N_DRAWN
    waves = np.arange(1, HAND_WAVES + 1)
    sines, cosines = random.standard_normal((2, HAND_WAVES))
    error = sines @ np.sin(np.outer(waves, angle)) + cosines @ np.cos(np.outer(waves, angle))
    drawn = radii_polygon_px(np.maximum(radii + HAND_SD_MM * error / np.sqrt(HAND_WAVES), 0.05), calibration, centre)
    return [(float(x), float(y)) for x, y in drawn]


def _queue(labelled: LabelledRun, baseline: Baseline, state: State) -> Doubt:
    """The page's queue for the current state."""
    edited: Edited = edited_result(baseline, state)
    axis = axis_from_pullback(labelled.run)
    frames = frames_table(edited.segmentation, edited.calibration, Timing(None, ""), axis, reviewed=edited.reviewed)
    usable = np.array(labelled.vessel, dtype=np.bool_)
    place = axis.position_mm if axis.known else np.arange(baseline.n_frames, dtype=np.float64)

    def column(name: str) -> FloatArray:
        return frames[name].to_numpy(dtype=np.float64)

    return doubt(
        place,
        in_mm=axis.known,
        lumen_area_mm2=column("lumen_area_mm2"),
        confidence=column("confidence"),
        eem_confidence=np.full(baseline.n_frames, np.nan),
        stent_confidence=np.full(baseline.n_frames, np.nan),
        usable=usable,
        reviewed=edited.reviewed,
        sites=read_figures(frames, {}).sites,
    )


def summary_rows(efforts: Sequence[Effort]) -> tuple[list[str], list[list[str]]]:
    """Headings and rows for a terminal."""
    headings = ["case", "difficulty", "frames", "overlap before", "after", "looked at", "drawn", "drawn %", "reached"]
    rows = [
        [
            effort.case,
            effort.difficulty,
            str(effort.n_frames),
            f"{effort.overlap_before:.3f}",
            f"{effort.overlap_after:.3f}",
            str(effort.looked_at),
            str(effort.drawn),
            f"{effort.drawn_pct:.1f}",
            "yes" if effort.reached else "no",
        ]
        for effort in efforts
    ]
    return headings, rows
