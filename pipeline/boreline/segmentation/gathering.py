"""Records of a whole run, put together block by block."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Generic, TypeVar

import numpy as np

T = TypeVar("T")
_KEPT = {np.dtype(np.float64): np.dtype(np.float32)}


class Gathered(Generic[T]):
    """One record of arrays, frames first, filled block by block; no second copy is ever in memory.

    Floating-point values are kept in single precision: a whole run of them is what grows with its length.
    """

    def __init__(self, n_frames: int) -> None:
        self._n_frames = n_frames
        self._kind: type[T] | None = None
        self._arrays: dict[str, np.ndarray[Any, np.dtype[Any]]] = {}

    def put(self, first: int, part: T) -> None:
        """Store the record of the frames from `first` on."""
        self._kind = type(part)
        for field in fields(part):  # type: ignore[arg-type]  # T is always a dataclass
            values = getattr(part, field.name)
            if field.name not in self._arrays:
                self._arrays[field.name] = np.empty(
                    (self._n_frames, *values.shape[1:]), dtype=_KEPT.get(values.dtype, values.dtype)
                )
            self._arrays[field.name][first : first + len(values)] = values

    def whole(self) -> T:
        """The record of all frames."""
        if self._kind is None:
            raise ValueError("nothing was put")
        return self._kind(**self._arrays)
