"""Observers of frames on their way to the segmenter, so that no frame is decoded twice for a picture or a count."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from boreline.errors import InputRefused
from boreline.model import Frame, FrameReader, Run
from boreline.reading import LARGEST_FAULTY_SHARE

Observer = Callable[[Frame], None]
"""Called with each frame as it is read; may see a frame more than once and must not mind."""


def watched(run: Run, *observers: Observer) -> Run:
    """`run`, whose frames pass every observer before anyone else sees them."""

    def read(start: int, stop: int) -> Iterator[Frame]:
        for frame in run.read_frames(start, stop):
            for observe in observers:
                observe(frame)
            yield frame

    reader: FrameReader = read
    return replace(run, read_frames=reader)


@dataclass(slots=True)
class FaultCount:
    """Counts the frames that could not be decoded and gives up when they are too many."""

    n_frames: int
    faults: dict[int, str] = field(default_factory=dict)

    def __call__(self, frame: Frame) -> None:
        """Note one frame.

        Raises
        ------
        InputRefused
            More than `LARGEST_FAULTY_SHARE` of the run's frames cannot be decoded.
        """
        if frame.fault is None:
            return
        self.faults[frame.number] = frame.fault
        if len(self.faults) > LARGEST_FAULTY_SHARE * self.n_frames:
            raise InputRefused(
                f"more than {LARGEST_FAULTY_SHARE:.0%} of the frames cannot be decoded "
                f"(frame {frame.number + 1}: {frame.fault})",
                tag="(7FE0,0010) PixelData",
                remedy="ask for the file again",
            )

    def warnings(self) -> tuple[str, ...]:
        """One line when any frame failed."""
        if not self.faults:
            return ()
        first = min(self.faults)
        return (f"{len(self.faults)} frame(s) could not be decoded, first frame {first + 1}: {self.faults[first]}",)
