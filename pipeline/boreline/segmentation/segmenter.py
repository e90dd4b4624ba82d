"""The segmenter `speckle-surfaces`: optimal closed borders from grey and shared speckle, learnt from the run."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Run, Segmentation
from boreline.segmentation.learning import Learnt, learn
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.protocol import Progress, no_progress
from boreline.segmentation.report import conclude
from boreline.segmentation.stream import Block, blocks_of, samples_of
from boreline.segmentation.trace import Traced, trace


class SpeckleSurfaces:
    """Lumen and EEM of a run. Reads it once for learning (a few frames) and once through."""

    name = "speckle-surfaces"
    version = "1"

    def segment(self, run: Run, *, threads: int = 1, progress: Progress = no_progress) -> Segmentation:
        """See `boreline.segmentation.protocol.Segmenter`.

        Raises
        ------
        InputRefused
            No frame carries a picture.
        """
        sampler = PolarSampler.of(run)
        samples = samples_of(run, sampler)
        if not samples:
            raise InputRefused("no frame carries a picture", tag="(7FE0,0010) PixelData")
        learnt = learn(samples, sampler.in_region, sampler.mm_per_sample)
        parts: list[Traced] = []
        decoded = np.zeros(run.n_frames, dtype=np.bool_)
        done = 0
        for block, traced in _traced(run, sampler, learnt, max(1, threads)):
            parts.append(traced)
            decoded[block.first : block.first + block.n_frames] = block.decoded[block.core]
            done += block.n_frames
            progress(done, run.n_frames)
        whole = Traced(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Traced)))
        return conclude(run, sampler, learnt, whole, decoded)


def _traced(run: Run, sampler: PolarSampler, learnt: Learnt, threads: int) -> Iterator[tuple[Block, Traced]]:
    """Blocks and their borders, in order; reading runs ahead by one block per thread."""

    def work(block: Block) -> Traced:
        return trace(block.pictures, block.usable, block.core, learnt)

    if threads == 1:
        for block in blocks_of(run, sampler):
            yield block, work(block)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[Block, Future[Traced]]] = deque()
        for block in blocks_of(run, sampler):
            waiting.append((block, pool.submit(work, block)))
            if len(waiting) > threads:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
