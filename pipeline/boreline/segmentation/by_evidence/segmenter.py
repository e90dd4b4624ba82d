"""The default segmenter: blood and wall told apart by evidence learnt from the run, borders by optimal closed paths.

The run is read twice: a few short blocks to learn from, then once through in blocks of consecutive frames; where there
is a stent, these frames are read once more to look behind its struts. Only borders
are kept for the whole run, so memory does not grow with its pictures.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields, replace

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Run, Segmentation
from boreline.segmentation.apposition import apposition_of
from boreline.segmentation.by_evidence.blocks import Block, sample_blocks, stream_blocks
from boreline.segmentation.by_evidence.conclusions import conclude
from boreline.segmentation.by_evidence.evidence import learn_evidence
from boreline.segmentation.by_evidence.near_field import learn_near_field
from boreline.segmentation.by_evidence.tracing import MARGIN, Learnt, Traced, trace_block
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.protocol import Progress, no_progress
from boreline.segmentation.secondary import (
    Apposition,
    Observations,
    find_secondary,
    join_observations,
    observe,
    with_secondary,
)

LEARNING_BLOCKS, LEARNING_FRAMES = 8, 6
BLOCK_FRAMES = 24
THINNEST_WALL_MM = 0.1


class SpeckleEvidence:
    """Lumen, EEM and their companions from one run."""

    name = "speckle-evidence"
    version = "1"

    def segment(self, run: Run, *, threads: int = 1, progress: Progress = no_progress) -> Segmentation:
        """See `boreline.segmentation.protocol.Segmenter`.

        Raises
        ------
        InputRefused
            No frame carries a picture.
        """
        sampler = PolarSampler.of(run)
        learnt = _learn(run, sampler)
        parts: list[Traced] = []
        observed: list[Observations] = []
        blank: list[np.ndarray[tuple[int], np.dtype[np.bool_]]] = []
        decoded: list[np.ndarray[tuple[int], np.dtype[np.bool_]]] = []
        done = 0
        for block, (traced, seen) in _traced(run, sampler, learnt, threads):
            parts.append(traced)
            observed.append(seen)
            blank.append(block.blank[block.core].copy())
            decoded.append(block.decoded[block.core].copy())
            done += block.n_frames
            progress(done, run.n_frames)
        whole = Traced(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Traced)))
        found = find_secondary(
            join_observations(observed),
            whole.lumen_mm,
            whole.eem_mm,
            narrow_shadow=whole.wire,
            branch=whole.pocket,
            sampler=sampler,
        )
        behind = apposition_of(run, sampler, found, wire=whole.wire, branch=whole.pocket)
        whole = _with_wall_behind_struts(whole, behind)
        concluded = conclude(run, sampler, learnt, whole, decoded=np.concatenate(decoded), blank=np.concatenate(blank))
        return with_secondary(concluded, found, behind, sampler)


def _with_wall_behind_struts(traced: Traced, behind: Apposition) -> Traced:
    """The borders, with the lumen of stented frames drawn behind the struts rather than along their echoes."""
    stented = np.isfinite(behind.lumen_mm)
    lumen = np.where(stented, behind.lumen_mm, traced.lumen_mm).astype(np.float32)
    eem = np.where(stented, np.maximum(traced.eem_mm, lumen + THINNEST_WALL_MM), traced.eem_mm).astype(np.float32)
    return replace(traced, lumen_mm=lumen, eem_mm=eem)


def _look_at(block: Block, learnt: Learnt) -> tuple[Traced, Observations]:
    """Borders of one block, and what lies in and behind them."""
    traced = trace_block(block, learnt)
    mm = learnt.mm_per_sample
    halo_mm = learnt.near_field.blind_to * mm
    pictures = block.pictures[block.core]
    return traced, observe(pictures, traced.lumen_mm, traced.eem_mm, halo_mm=halo_mm, mm_per_sample=mm)


def _learn(run: Run, sampler: PolarSampler) -> Learnt:
    blocks = sample_blocks(run, sampler, n_blocks=LEARNING_BLOCKS, n_frames=LEARNING_FRAMES)
    if not blocks:
        raise InputRefused("no frame carries a picture", tag="(7FE0,0010) PixelData")
    near_field = learn_near_field(blocks, sampler.mm_per_sample)
    return Learnt(
        sampler.mm_per_sample,
        float(run.calibration.mm_per_px.max()),
        near_field,
        learn_evidence(blocks, near_field, sampler.mm_per_sample),
    )


def _traced(
    run: Run, sampler: PolarSampler, learnt: Learnt, threads: int
) -> Iterator[tuple[Block, tuple[Traced, Observations]]]:
    """Blocks and their borders, in order; decoding runs ahead of tracing by one block per thread."""
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[Block, Future[tuple[Traced, Observations]]]] = deque()
        for block in stream_blocks(run, sampler, n_frames=BLOCK_FRAMES, margin=MARGIN):
            waiting.append((block, pool.submit(_look_at, block, learnt)))
            if len(waiting) > threads:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
