"""Unique identifiers that follow from what they name, so that a run can be written again identically."""

from __future__ import annotations

import hashlib


def stable_uid(*parts: str) -> str:
    """A UID under 2.25 (PS3.5 B.2: the decimal form of a 128-bit number), from a hash of `parts`."""
    digest = hashlib.sha256("\x1f".join(parts).encode()).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"
