"""The default segmenter: blood and wall told apart by evidence learnt from the run, borders by optimal closed paths.

The run is read twice: a few short blocks to learn from, then once through in blocks of consecutive frames. Only borders
are kept for the whole run, so memory does not grow with its pictures.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Run, Segmentation
from boreline.segmentation.by_evidence.blocks import Block, sample_blocks, stream_blocks
from boreline.segmentation.by_evidence.conclusions import conclude
from boreline.segmentation.by_evidence.evidence import learn_evidence
from boreline.segmentation.by_evidence.near_field import learn_near_field
from boreline.segmentation.by_evidence.tracing import MARGIN, Learnt, Traced, trace_block
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.protocol import Progress, no_progress

LEARNING_BLOCKS, LEARNING_FRAMES = 8, 6
BLOCK_FRAMES = 24


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
        blank: list[np.ndarray[tuple[int], np.dtype[np.bool_]]] = []
        decoded: list[np.ndarray[tuple[int], np.dtype[np.bool_]]] = []
        done = 0
        for block, traced in _traced(run, sampler, learnt, threads):
            parts.append(traced)
            blank.append(block.blank[block.core].copy())
            decoded.append(block.decoded[block.core].copy())
            done += block.n_frames
            progress(done, run.n_frames)
        whole = Traced(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Traced)))
        return conclude(run, sampler, learnt, whole, decoded=np.concatenate(decoded), blank=np.concatenate(blank))


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


def _traced(run: Run, sampler: PolarSampler, learnt: Learnt, threads: int) -> Iterator[tuple[Block, Traced]]:
    """Blocks and their borders, in order; decoding runs ahead of tracing by one block per thread."""
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[Block, Future[Traced]]] = deque()
        for block in stream_blocks(run, sampler, n_frames=BLOCK_FRAMES, margin=MARGIN):
            waiting.append((block, pool.submit(trace_block, block, learnt)))
            if len(waiting) > threads:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
