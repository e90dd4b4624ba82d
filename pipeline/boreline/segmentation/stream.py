"""A run in polar blocks: streamed once through, or sampled here and there for learning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from boreline.model import BoolArray, Frame, Run
from boreline.segmentation.polar import N_ANGLES, N_SAMPLES, PolarBlock, PolarSampler

BLOCK_FRAMES = 26
MARGIN = 1
LEARNING_BLOCKS, LEARNING_FRAMES = 8, 4


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive frames with a margin on either side for what looks at neighbours.

    `pictures` (n, N_ANGLES, N_SAMPLES), `usable` and `decoded` (n,) include the margins; `core` are the block's own
    frames, the first of which is frame `first` of the run.
    """

    first: int
    core: slice
    pictures: PolarBlock
    usable: BoolArray
    decoded: BoolArray

    @property
    def n_frames(self) -> int:
        """The block's own frames."""
        return int(self.core.stop - self.core.start)


def blocks_of(run: Run, sampler: PolarSampler) -> Iterator[Block]:
    """The whole run, each frame decoded once, in order."""
    held: list[tuple[PolarBlock | None, bool]] = []
    first = 0
    before = 0
    n_all = run.n_frames
    source = run.frames()
    while first < n_all:
        wanted = before + min(BLOCK_FRAMES, n_all - first) + MARGIN
        while len(held) < wanted:
            frame = next(source, None)
            if frame is None:
                break
            held.append(_look(frame, sampler))
        n_core = min(BLOCK_FRAMES, n_all - first)
        yield _pack(held[:wanted], first, slice(before, before + n_core))
        keep = max(0, before + n_core - MARGIN)
        held = held[keep:]
        before = before + n_core - keep
        first += n_core


def samples_of(run: Run, sampler: PolarSampler) -> list[PolarBlock]:
    """A few blocks of consecutive usable frames, spread over the run."""
    n = run.n_frames
    if n <= LEARNING_BLOCKS * LEARNING_FRAMES:
        starts, length = [0], n
    else:
        starts = np.linspace(0, n - LEARNING_FRAMES, LEARNING_BLOCKS).astype(int).tolist()
        length = LEARNING_FRAMES
    found = []
    for start in starts:
        pictures = [sampler(frame) for frame in run.frames(start, start + length)]
        kept = [picture for picture in pictures if picture is not None]
        if kept:
            found.append(np.stack(kept))
    return found


def _look(frame: Frame, sampler: PolarSampler) -> tuple[PolarBlock | None, bool]:
    return sampler(frame), frame.grey is not None


def _pack(held: list[tuple[PolarBlock | None, bool]], first: int, core: slice) -> Block:
    black = np.zeros((N_ANGLES, N_SAMPLES), dtype=np.uint8)
    return Block(
        first,
        core,
        np.stack([black if picture is None else picture for picture, _ in held]),
        np.array([picture is not None for picture, _ in held], dtype=np.bool_),
        np.array([decoded for _, decoded in held], dtype=np.bool_),
    )
