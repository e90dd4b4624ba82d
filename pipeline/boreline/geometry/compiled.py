"""Compiled loops: numba, cached where a cache can be written, without the lock of the interpreter."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

_P = ParamSpec("_P")
_R = TypeVar("_R")


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile `function` with numba, releasing the interpreter's lock (threads run side by side).

    The machine code is kept on disk for the next start. Where neither the package nor the user's cache folder can be
    written, numba refuses to cache; the function is then compiled in each process.
    """
    try:
        return cast(Callable[_P, _R], numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:
        return cast(Callable[_P, _R], numba.njit(nogil=True)(function))
