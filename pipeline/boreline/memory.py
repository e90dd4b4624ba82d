"""Memory that was freed, given back to the system, and shared by all threads until then."""

from __future__ import annotations

import ctypes

_M_ARENA_MAX = -8
"""The GNU C library's name for its number of separate stores (`malloc.h`)."""


def give_back() -> None:
    """Return freed memory to the system between two stages; does nothing where the C library has no such call.

    The C library keeps what worker threads have freed, tens of megabytes that no other thread can use.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return
    trim(0)


def share_freed_memory() -> None:
    """Let all threads that start from now on take memory from one store; does nothing where there is no such call.

    Each thread's own store keeps what the others cannot use: 5 to 10 MB in an analysis, at no gain in speed.
    """
    try:
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
    except (AttributeError, OSError, TypeError):
        return
