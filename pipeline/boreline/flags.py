"""The words that may stand in the `flags` column of `frames.csv`: one registry, nothing else is legal."""

from __future__ import annotations

from enum import StrEnum


class Flag(StrEnum):
    """Why a frame is special. The value is the word in the file; `meaning` is its manual entry."""

    meaning: str

    def __new__(cls, word: str, meaning: str) -> Flag:
        """Build a member whose value is `word` and which carries its own manual entry."""
        member = str.__new__(cls, word)
        member._value_ = word
        member.meaning = meaning
        return member

    DECODE_FAILED = "decode_failed", "the frame's pixels could not be decoded; nothing was measured"
    BLANK = "blank", "the frame carries no picture; nothing was measured"
    IN_GUIDE = (
        "in_guide",
        "the transducer is inside the guide catheter; left out of every site, reference and volume",
    )
    OUTSIDE_VESSEL = "outside_vessel", "aorta or another place outside the vessel; left out like in_guide"
    BEFORE_PULLBACK = "before_pullback", "recorded before the motor started; the transducer stands still"
    AFTER_PULLBACK = "after_pullback", "recorded after the motor stopped; the transducer stands still"
    BRANCH = "branch", "a side branch opens here: the mouth is bridged, the frame is no reference"
    EEM_HIDDEN = "eem_hidden", "90 degrees or more of the EEM cannot be seen: the EEM is not measured"
    EEM_OUT_OF_VIEW = "eem_out_of_view", "the vessel is larger than the picture: the EEM is not measured"
    LUMEN_DOUBTFUL = "lumen_doubtful", "the lumen contour is among those an operator should look at first"
    EEM_DOUBTFUL = "eem_doubtful", "the EEM contour is among those an operator should look at first"
    STENT = "stent", "stent struts were found in this frame"
    MALAPPOSED = "malapposed", "at least one strut stands clear of the wall"
    ROTATION_UNEVEN = "rotation_uneven", "non-uniform rotation: angles in this frame are distorted"
    REJECTED = "rejected", "an operator rejected this frame; nothing in it is used"
    EDITED = "edited", "an operator changed a contour of this frame"
    INFLUENCED = "influenced", "an edit in a neighbouring frame changed a contour of this frame"
    IMPORTED = "imported", "a contour of this frame was imported"


FLAG_SEPARATOR = ";"
_BY_WORD = {flag.value: flag for flag in Flag}


def join_flags(flags: frozenset[Flag] | set[Flag]) -> str:
    """The text of one `flags` cell: words in registry order, empty when there are none."""
    return FLAG_SEPARATOR.join(flag.value for flag in Flag if flag in flags)


def parse_flags(cell: str) -> frozenset[Flag]:
    """The flags in one `flags` cell.

    Raises
    ------
    ValueError
        A word is not in the registry.
    """
    try:
        return frozenset(_BY_WORD[word] for word in cell.split(FLAG_SEPARATOR) if word)
    except KeyError as unknown:
        raise ValueError(f"{unknown.args[0]!r} is no flag of the registry") from None


NOT_VESSEL = frozenset({Flag.DECODE_FAILED, Flag.BLANK, Flag.IN_GUIDE, Flag.OUTSIDE_VESSEL, Flag.REJECTED})
"""Frames with any of these never enter a site, a reference, a minimum or a volume."""
