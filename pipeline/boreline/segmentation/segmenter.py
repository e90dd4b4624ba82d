"""The segmenter `speckle-surfaces`: optimal closed borders from grey and shared speckle, learnt from the run."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from boreline.errors import InputRefused
from boreline.memory import give_back
from boreline.model import FloatArray, Run, Segmentation
from boreline.segmentation.apposition import apposition_of
from boreline.segmentation.calcium import WallEchoes
from boreline.segmentation.gathering import Gathered
from boreline.segmentation.learning import Learnt, learn
from boreline.segmentation.polar import PolarSampler
from boreline.segmentation.protocol import Progress, no_progress
from boreline.segmentation.report import conclude
from boreline.segmentation.secondary import (
    Apposition,
    Observations,
    find_secondary,
    observe,
    with_secondary,
)
from boreline.segmentation.stream import Block, blocks_of, samples_of
from boreline.segmentation.struts import StrutCandidates
from boreline.segmentation.trace import Traced, trace


class SpeckleSurfaces:
    """Lumen and EEM of a run. Reads it once for learning (a few frames) and once through."""

    name = "speckle-surfaces"
    version = "2"

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
            raise InputRefused(
                "no frame carries a picture",
                tag="(7FE0,0010) PixelData",
                remedy="look at the file in an image viewer and export it again",
            )
        learnt = learn(samples, sampler.in_region, sampler.mm_per_sample)
        del samples
        give_back()
        borders = Gathered[Traced](run.n_frames)
        candidates, echoes = Gathered[StrutCandidates](run.n_frames), Gathered[WallEchoes](run.n_frames)
        peaks: list[FloatArray] = []
        decoded = np.zeros(run.n_frames, dtype=np.bool_)
        done = 0
        for block, (traced, seen) in _traced(run, sampler, learnt, max(1, threads)):
            borders.put(block.first, traced)
            candidates.put(block.first, seen.candidates)
            echoes.put(block.first, seen.echoes)
            peaks.append(seen.speckle_peaks)
            decoded[block.first : block.first + block.n_frames] = block.decoded[block.core]
            done += block.n_frames
            progress(done, run.n_frames)
        give_back()
        whole = borders.whole()
        found = find_secondary(
            Observations(candidates.whole(), echoes.whole(), np.concatenate(peaks)),
            *_borders_mm(whole, learnt),
            narrow_shadow=whole.wire,
            branch=whole.pocket,
            sampler=sampler,
        )
        del echoes, peaks
        give_back()
        behind = apposition_of(
            run,
            sampler,
            found,
            wire=whole.wire,
            branch=whole.pocket,
            lag_mm=learnt.echo.strut_lag * sampler.mm_per_sample,
        )
        bordered = _behind_struts(_at_borders(whole, learnt), behind, learnt)
        concluded = conclude(run, sampler, learnt, bordered, decoded)
        return with_secondary(concluded, found, behind, sampler)


def _borders_mm(traced: Traced, learnt: Learnt) -> tuple[FloatArray, FloatArray]:
    """Lumen and membrane; the membrane unknown in shadow."""
    mm = learnt.mm_per_sample
    return traced.lumen * mm, np.where(traced.shadow | traced.pocket, np.nan, traced.membrane) * mm


def _at_borders(traced: Traced, learnt: Learnt) -> Traced:
    """From where grey rises to the borders behind; until here all places are those of the echoes in the picture."""
    return replace(
        traced,
        lumen=learnt.echo.border(traced.lumen, traced.rise, traced.lumen_seen),
        membrane=learnt.echo.border(traced.membrane, traced.ring, traced.membrane_seen),
    )


def _behind_struts(traced: Traced, behind: Apposition, learnt: Learnt) -> Traced:
    """The borders, with the lumen of stented frames drawn behind the struts rather than along their echoes."""
    wall = behind.lumen_mm / learnt.mm_per_sample
    return replace(traced, lumen=np.where(np.isfinite(wall), wall, traced.lumen))


def _traced(
    run: Run, sampler: PolarSampler, learnt: Learnt, threads: int
) -> Iterator[tuple[Block, tuple[Traced, Observations]]]:
    """Blocks and their borders, in order; reading runs ahead by one block per thread."""

    def work(block: Block) -> tuple[Traced, Observations]:
        traced = trace(block.pictures, block.usable, block.core, learnt)
        mm = learnt.mm_per_sample
        seen = observe(
            block.pictures[block.core],
            *_borders_mm(traced, learnt),
            halo_mm=learnt.ring.end * mm,
            strut_lag_mm=learnt.echo.strut_lag * mm,
            mm_per_sample=mm,
        )
        return traced, seen

    if threads == 1:
        for block in blocks_of(run, sampler):
            yield block, work(block)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[Block, Future[tuple[Traced, Observations]]]] = deque()
        for block in blocks_of(run, sampler):
            waiting.append((block, pool.submit(work, block)))
            if len(waiting) > threads:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
