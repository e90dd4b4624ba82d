"""Compiled loops: numba, cached where a cache can be written, without the lock of the interpreter."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import numba
from numba.core import config
from numba.core.caching import FunctionCache

_P = ParamSpec("_P")
_R = TypeVar("_R")


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile `function` with numba, releasing the interpreter's lock (threads run side by side).

    The machine code is kept on disk for the next start: beside the package, else in the user's cache folder, else in a
    folder of the user's own among the system's temporary files. Where none can be had, or the disk is full, each
    process compiles anew.
    """
    dispatcher = numba.njit(nogil=True)(function)
    cache = _cache_for(function)
    if cache is not None:
        dispatcher._cache = cache  # noqa: SLF001  # where njit(cache=True) puts one that stops at a full disk
    return cast(Callable[_P, _R], dispatcher)


class _Cache(FunctionCache):  # type: ignore[misc]  # the library has no types
    """Machine code on disk as a help only: what cannot be read is compiled, what cannot be written is not kept."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """None when there is none, or when it is damaged."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # pickled by the library: damage has no one error
            with suppress(OSError):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep it where that can be done."""
        with suppress(OSError):
            super().save_overload(sig, data)


def _cache_for(function: Callable[_P, _R]) -> _Cache | None:
    with suppress(RuntimeError):  # it found no folder that it can write
        return _Cache(function)
    folder = private_cache()
    if folder is None:
        return None
    before, config.CACHE_DIR = config.CACHE_DIR, str(folder)  # read once, when the cache is made
    try:
        return _Cache(function)
    except RuntimeError:
        return None
    finally:
        config.CACHE_DIR = before


def private_cache() -> Path | None:
    """A folder for machine code that nobody else can write, as what lies there is executed; None if there is none."""
    folder = Path(tempfile.gettempdir()) / f"boreline-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError:
        return None
    ours = stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o077
    return folder if ours else None
