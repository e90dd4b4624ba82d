"""A run along rays from the catheter: the polar grid of a run and blocks of its frames, streamed.

Every block is an array (frames, angles, samples), uint8: angle k is ``360 k / N_ANGLES`` degrees, sample i lies
``i * mm_per_sample`` from the centre. What lies outside the run's cross-section is 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from boreline.geometry import PolarGrid, resample_polar
from boreline.model import BoolArray, Frame, GreyImage, Run

N_ANGLES = 256
N_SAMPLES = 256
REACH = 1.08
"""Rays end this far beyond the nearest edge of the cross-section: a square picture shows more in its corners."""
CENTRAL = 0.25
"""A stated catheter axis further from the middle than this share of the picture is not believed."""

PolarBlock = npt.NDArray[np.uint8]


def run_grid(run: Run) -> PolarGrid:
    """The polar grid of a run: about the stated catheter axis where it is plausible, else the picture's middle."""
    region, calibration = run.region, run.calibration
    middle = np.array([0.5 * (region.x0 + region.x1), 0.5 * (region.y0 + region.y1)])
    size_px = np.array([region.width_px, region.height_px])
    centre = middle if run.centre_px is None else np.array(run.centre_px)
    if np.any(np.abs(centre - middle) > CENTRAL * size_px):
        centre = middle
    half_mm = float((0.5 * size_px * calibration.mm_per_px).min())
    return PolarGrid(
        calibration, (float(centre[0]), float(centre[1])), N_ANGLES, N_SAMPLES, REACH * half_mm / N_SAMPLES
    )


@dataclass(frozen=True, slots=True)
class PolarBlocks:
    """Turns frames into polar pictures; the maps are computed once."""

    grid: PolarGrid
    maps: tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]
    outside: BoolArray

    @classmethod
    def of(cls, run: Run) -> PolarBlocks:
        """The maps of a run's grid."""
        grid = run_grid(run)
        points = grid.sample_points_px()
        region = run.region
        inside = (
            (points[..., 0] >= region.x0)
            & (points[..., 0] <= region.x1)
            & (points[..., 1] >= region.y0)
            & (points[..., 1] <= region.y1)
        )
        return cls(grid, grid.maps(), ~inside)

    def picture(self, grey: GreyImage) -> npt.NDArray[np.uint8]:
        """One frame along the rays, shape (N_ANGLES, N_SAMPLES)."""
        polar: npt.NDArray[np.uint8] = resample_polar(grey, self.maps)
        polar[self.outside] = 0
        return polar

    def stack(self, frames: Iterable[Frame]) -> tuple[PolarBlock, BoolArray]:
        """Several frames, and which of them could be decoded (the others are 0)."""
        pictures: list[npt.NDArray[np.uint8]] = []
        decoded: list[bool] = []
        for frame in frames:
            decoded.append(frame.grey is not None)
            pictures.append(
                np.zeros((N_ANGLES, N_SAMPLES), dtype=np.uint8) if frame.grey is None else self.picture(frame.grey)
            )
        return np.stack(pictures), np.array(decoded, dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class Block:
    """Some consecutive frames with a margin on either side for everything that looks at neighbours.

    `pictures` holds frames [first - before, first - before + len(pictures)); the block itself is
    [first, first + n_frames).
    """

    first: int
    n_frames: int
    before: int
    pictures: PolarBlock
    decoded: BoolArray

    @property
    def core(self) -> slice:
        """The block's own frames within `pictures`."""
        return slice(self.before, self.before + self.n_frames)


def stream_blocks(run: Run, polar: PolarBlocks, *, n_frames: int, margin: int) -> Iterator[Block]:
    """All frames of a run in blocks of `n_frames`, each frame decoded once."""
    source = run.frames()
    held: PolarBlock = np.empty((0, N_ANGLES, N_SAMPLES), dtype=np.uint8)
    decoded: BoolArray = np.empty(0, dtype=np.bool_)
    held_from = 0
    for first in range(0, run.n_frames, n_frames):
        last = min(first + n_frames, run.n_frames)
        wanted_to = min(last + margin, run.n_frames)
        wanted_from = max(first - margin, 0)
        missing = wanted_to - (held_from + len(held))
        if missing > 0:
            more, ok = polar.stack(next(source) for _ in range(missing))
            held, decoded = np.concatenate([held, more]), np.concatenate([decoded, ok])
        held, decoded = held[wanted_from - held_from :], decoded[wanted_from - held_from :]
        held_from = wanted_from
        yield Block(first, last - first, first - wanted_from, held, decoded)


def sample_blocks(run: Run, polar: PolarBlocks, *, n_blocks: int, n_frames: int) -> Sequence[PolarBlock]:
    """A few short blocks spread evenly over the run, for learning; frames that cannot be decoded are left out."""
    n_frames = min(n_frames, run.n_frames)
    starts = np.unique(np.linspace(0, run.n_frames - n_frames, n_blocks).astype(int))
    blocks = []
    for start in starts.tolist():
        pictures, decoded = polar.stack(run.frames(start, start + n_frames))
        if decoded.sum() >= min(2, n_frames):
            blocks.append(pictures[decoded])
    return blocks
