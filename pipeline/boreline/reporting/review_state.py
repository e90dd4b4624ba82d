"""How far an operator has looked at a run, in the words that every output uses."""

from __future__ import annotations

NOT_REVIEWED = "not reviewed by an operator"


def review_state(n_reviewed: int, n_frames: int) -> str:
    """One phrase for pages, exports and DICOM objects."""
    if not n_reviewed:
        return NOT_REVIEWED
    return f"{n_reviewed} of {n_frames} frames reviewed by an operator"
