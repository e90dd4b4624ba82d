"""Memory that was freed, given back to the system."""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Return freed memory to the system between two stages; does nothing where the C library has no such call.

    The C library keeps what worker threads have freed, tens of megabytes that no other thread can use.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return
    trim(0)
