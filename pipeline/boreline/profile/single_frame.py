"""The smallest lumen of any one frame, as against the MLA along the profile: two definitions, each named in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from boreline.flags import NOT_VESSEL, Flag, parse_flags

ALONG_PROFILE = "smallest lumen of the lesion along the profile: median of the frames at each tenth of a millimetre"
"""In words what `boreline plan` and the MLA are; to stand wherever a single frame's minimum is shown too."""


@dataclass(frozen=True, slots=True)
class SingleFrameMinimum:
    """The smallest area of any one frame, which reads lower than the MLA along the profile.

    `frame` is 0-based. `doubtful`: no frame without doubt was left, so this one is doubtful. `n_left_out` frames of
    the vessel took no part because their contour is doubtful.
    """

    frame: int
    area_mm2: float
    doubtful: bool
    n_left_out: int

    @property
    def words(self) -> str:
        """What the number is, for people; to stand beside it."""
        text = "smallest of single frames, not of the profile: reads lower than the MLA of a plan"
        if self.doubtful:
            return f"{text}; every contour is doubtful"
        return f"{text}; {self.n_left_out} doubtful frames left out" if self.n_left_out else text


def smallest_single_frame(frames: pd.DataFrame) -> SingleFrameMinimum | None:
    """The single frame with the smallest lumen; None when none was measured.

    Frames that are no vessel (`boreline.flags.NOT_VESSEL`) never count, those with a doubtful lumen only where there
    are no others: one wrong contour must not become the figure of a run. In a profile they do count, as each place
    takes the median of its frames.

    Parameters
    ----------
    frames
        A frames table (`boreline.columns.FRAMES`).
    """
    lumen = frames["lumen_area_mm2"].to_numpy(dtype=np.float64)
    words = {cell: parse_flags(cell) for cell in frames["flags"].fillna("").unique()}
    flags = [words[cell] for cell in frames["flags"].fillna("")]
    vessel = np.isfinite(lumen) & np.array([not held & NOT_VESSEL for held in flags], dtype=bool)
    sure = vessel & np.array([Flag.LUMEN_DOUBTFUL not in held for held in flags], dtype=bool)
    among = np.flatnonzero(sure if sure.any() else vessel)
    if among.size == 0:
        return None
    frame = int(among[np.argmin(lumen[among])])
    left_out = int(vessel.sum() - among.size)
    return SingleFrameMinimum(frame, float(lumen[frame]), not sure[frame], left_out)


def smallest_stent_frame(frames: pd.DataFrame) -> int | None:
    """0-based frame of the vessel with the smallest stent area; None without a stent."""
    stent = frames["stent_area_mm2"].to_numpy(dtype=np.float64)
    vessel = np.array([not parse_flags(cell) & NOT_VESSEL for cell in frames["flags"].fillna("")], dtype=bool)
    known = np.flatnonzero(vessel & np.isfinite(stent))
    return int(known[np.argmin(stent[known])]) if known.size else None
