"""Compiled loops: numba, cached where a cache can be written, without the lock of the interpreter."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar, cast

import numba
from numba.core import config

_P = ParamSpec("_P")
_R = TypeVar("_R")


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile `function` with numba, releasing the interpreter's lock (threads run side by side).

    The machine code is kept on disk for the next start: beside the package, else in the user's cache folder, else in a
    folder of the user's own among the system's temporary files. Where none can be had, each process compiles anew.
    """
    try:
        return cast(Callable[_P, _R], numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:  # numba found no folder that it can write
        folder = private_cache()
    if folder is None:
        return cast(Callable[_P, _R], numba.njit(nogil=True)(function))
    before, config.CACHE_DIR = config.CACHE_DIR, str(folder)  # read once, when the function is decorated
    try:
        return cast(Callable[_P, _R], numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:
        return cast(Callable[_P, _R], numba.njit(nogil=True)(function))
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
