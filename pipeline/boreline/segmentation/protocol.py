"""What a segmenter is, and how one is found by name."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from typing import Protocol, runtime_checkable

from boreline.errors import InputRefused
from boreline.model import Run, Segmentation

ENTRY_POINT_GROUP = "boreline.segmenters"
DEFAULT_SEGMENTER = "speckle-surfaces"

Progress = Callable[[int, int], None]
"""Called with (frames done, frames in all)."""


def no_progress(_done: int, _total: int) -> None:
    """Report nothing."""


@runtime_checkable
class Segmenter(Protocol):
    """Turns a run into contours.

    Deterministic; independent of `threads`; reads frames in order and keeps only a few of them; works inside
    `run.region` only; returns exactly one entry per frame, with an empty contour where it finds nothing.
    """

    name: str
    version: str

    def segment(self, run: Run, *, threads: int = 1, progress: Progress = no_progress) -> Segmentation:
        """Contours, sectors and confidence of every frame."""
        ...


def segmenter_names() -> tuple[str, ...]:
    """Names of all registered segmenters, without importing any."""
    return tuple(sorted({point.name for point in entry_points(group=ENTRY_POINT_GROUP)}))


def load_segmenter(name: str = DEFAULT_SEGMENTER) -> Segmenter:
    """The segmenter registered under `name`.

    Raises
    ------
    InputRefused
        No segmenter has that name; the message lists those that exist.
    """
    for point in entry_points(group=ENTRY_POINT_GROUP):
        if point.name == name:
            segmenter = point.load()()
            if not isinstance(segmenter, Segmenter):
                raise InputRefused(
                    f"segmenter {name!r} lacks name, version or segment()",
                    tag="--segmenter",
                    remedy="add them to its class (docs/python.md), or choose another segmenter",
                )
            return segmenter
    raise InputRefused(
        f"no segmenter is called {name!r}",
        tag="--segmenter",
        remedy=f"choose from {', '.join(segmenter_names())}",
    )
