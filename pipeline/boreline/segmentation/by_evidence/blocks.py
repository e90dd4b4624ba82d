"""A run in polar blocks: streamed once through, or sampled here and there for learning."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from boreline.model import BoolArray, Frame, Run
from boreline.segmentation.polar import N_ANGLES, N_SAMPLES, PolarBlock, PolarSampler, is_blank


@dataclass(frozen=True, slots=True)
class Block:
    """Some consecutive frames, with a margin on either side for everything that looks at neighbours.

    Attributes
    ----------
    first, n_frames
        The block itself: frames [first, first + n_frames) of the run.
    before
        Frames of margin in front of them.
    pictures
        Shape (before + n_frames + after, N_ANGLES, N_SAMPLES); 0 outside the cross-section.
    decoded, blank
        Per picture: it could be decoded; it has no contrast anywhere.
    """

    first: int
    n_frames: int
    before: int
    pictures: PolarBlock
    decoded: BoolArray
    blank: BoolArray

    @property
    def core(self) -> slice:
        """The block's own frames within `pictures`."""
        return slice(self.before, self.before + self.n_frames)


def _stack(frames: Iterable[Frame], sampler: PolarSampler) -> tuple[PolarBlock, BoolArray, BoolArray]:
    pictures, decoded, blank = [], [], []
    for frame in frames:
        picture = sampler(frame)
        if picture is None:
            picture = np.zeros((N_ANGLES, N_SAMPLES), dtype=np.uint8)
        picture[~sampler.in_region] = 0
        pictures.append(picture)
        decoded.append(frame.grey is not None)
        blank.append(frame.grey is not None and is_blank(frame.grey))
    return np.stack(pictures), np.array(decoded, dtype=np.bool_), np.array(blank, dtype=np.bool_)


def stream_blocks(run: Run, sampler: PolarSampler, *, n_frames: int, margin: int) -> Iterator[Block]:
    """All frames of a run in blocks of `n_frames`; each frame is decoded once."""
    source = run.frames()
    held = np.empty((0, N_ANGLES, N_SAMPLES), dtype=np.uint8), np.empty(0, dtype=np.bool_), np.empty(0, dtype=np.bool_)
    held_from = 0
    for first in range(0, run.n_frames, n_frames):
        last = min(first + n_frames, run.n_frames)
        wanted_from = max(first - margin, 0)
        missing = min(last + margin, run.n_frames) - (held_from + len(held[0]))
        held = (
            held[0][wanted_from - held_from :],
            held[1][wanted_from - held_from :],
            held[2][wanted_from - held_from :],
        )
        if missing > 0:
            more = _stack((next(source) for _ in range(missing)), sampler)
            held = (
                np.concatenate([held[0], more[0]]),
                np.concatenate([held[1], more[1]]),
                np.concatenate([held[2], more[2]]),
            )
        held_from = wanted_from
        yield Block(first, last - first, first - wanted_from, *held)


def sample_blocks(run: Run, sampler: PolarSampler, *, n_blocks: int, n_frames: int) -> Sequence[PolarBlock]:
    """A few short blocks spread evenly over the run; blank frames and frames that cannot be decoded are left out."""
    n_frames = min(n_frames, run.n_frames)
    starts = np.unique(np.linspace(0, run.n_frames - n_frames, n_blocks).astype(int))
    blocks = []
    for start in starts.tolist():
        pictures, decoded, blank = _stack(run.frames(start, start + n_frames), sampler)
        usable = decoded & ~blank
        if usable.any():
            blocks.append(pictures[usable])
    return blocks
