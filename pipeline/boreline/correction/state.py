"""A run as one reader left it: the automatic result and everything that edits changed, both frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from boreline.correction.border import Border
from boreline.correction.edits import Branch, Finding, Ruler, SiteName
from boreline.correction.pictures import PictureOf
from boreline.flags import Flag
from boreline.model import Calibration, CalibrationOrigin, Contours, Segmentation, Structure

Key = tuple[Structure, int]
NOTHING = frozenset[int]()


@dataclass(frozen=True, slots=True)
class Baseline:
    """What edits apply to: the automatic result, untouched, the scale it was measured with, and the pictures.

    Without pictures a corrected border is bent and handed on by its shape alone.
    """

    segmentation: Segmentation
    calibration: Calibration
    picture_of: PictureOf | None = None

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return self.segmentation.n_frames


@dataclass(frozen=True, slots=True)
class State:
    """Everything that edits changed; what is not listed is automatic. Frames count from 0.

    Attributes
    ----------
    borders
        Changed contours in pixels; an empty one was taken away.
    edited, influenced
        Contours that an operator set, and those that followed a neighbour or gave way to the other border.
    held_back
        Contours whose last edit stopped short, at the operator's other border of that frame.
    hidden_deg
        Angle over which the EEM was bridged, by frame.
    places
        Where the transducer was, by frame; None inside the vessel.
    stent
        First and last frame, False for "no stent", None when nothing was said.
    scale
        Millimetres per pixel are the baseline's times this.
    """

    borders: Mapping[Key, Border] = field(default_factory=dict)
    edited: frozenset[Key] = frozenset()
    influenced: frozenset[Key] = frozenset()
    held_back: frozenset[Key] = frozenset()
    hidden_deg: Mapping[int, float] = field(default_factory=dict)
    accepted: frozenset[int] = NOTHING
    rejected: frozenset[int] = NOTHING
    places: Mapping[int, Flag | None] = field(default_factory=dict)
    branches: tuple[Branch, ...] = ()
    findings: tuple[Finding, ...] = ()
    stent: tuple[int, int] | bool | None = None
    sites: Mapping[SiteName, int] = field(default_factory=dict)
    scale: float = 1.0
    ruler: Ruler | None = None

    @property
    def reviewed(self) -> frozenset[int]:
        """Frames that an operator accepted, rejected or edited."""
        return self.accepted | self.rejected | {frame for _, frame in self.edited}


def border_at(baseline: Baseline, state: State, structure: Structure, frame: int) -> Border:
    """The current border in pixels; without vertices where there is none."""
    changed = state.borders.get((structure, frame))
    return from_contours(baseline.segmentation.contours[structure], frame) if changed is None else changed


def from_contours(contours: Contours, frame: int) -> Border:
    """One frame's polygon as a border."""
    return Border(contours.polygon(frame), contours.seen_at(frame), contours.origin_at(frame))


def scaled_calibration(baseline: Baseline, state: State) -> Calibration:
    """The calibration in force: the baseline's, or the operator's ruler."""
    was = baseline.calibration
    if state.ruler is None:
        return was
    return Calibration(
        was.mm_per_px_x * state.scale,
        was.mm_per_px_y * state.scale,
        CalibrationOrigin.OPERATOR,
        f"ruler in frame {state.ruler.frame}: {state.ruler.length_mm:g} mm",
    )
