"""What an operator can say about a run: one record per action, the same in memory and in `edits/READER.jsonl`.

Frames count from 1 here, because these records *are* the file; `index` and `indices` give the 0-based numbers.
Places are pixels of the full frame, never millimetres: those change with the calibration and with co-registration.
"""

from __future__ import annotations

import math
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from boreline.model import FloatArray, Structure

SCHEMA = 1
MAX_POINTS = 2000
_FAR_PX = 1e5

Frame = Annotated[int, Field(ge=1, le=10**7)]
Pixel = Annotated[float, Field(ge=-_FAR_PX, le=_FAR_PX)]
Point = tuple[Pixel, Pixel]
Reason = Annotated[str, Field(max_length=500)]


class SiteName(StrEnum):
    """The places along a vessel that an operator may name."""

    DISTAL_REFERENCE = "distal_reference"
    DISTAL_LANDING = "distal_landing"
    MLA = "mla"
    PROXIMAL_LANDING = "proximal_landing"
    PROXIMAL_REFERENCE = "proximal_reference"
    LAD_OSTIUM = "lad_ostium"
    LCX_OSTIUM = "lcx_ostium"
    CONFLUENCE = "confluence"
    LEFT_MAIN = "left_main"


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _OneFrame(_Record):
    frame: Frame

    @property
    def index(self) -> int:
        """0-based frame."""
        return self.frame - 1

    @property
    def indices(self) -> range:
        """0-based frames that the edit names."""
        return range(self.index, self.frame)


class _FrameRange(_Record):
    first: Frame
    last: Frame

    @model_validator(mode="after")
    def _in_order(self) -> _FrameRange:
        if self.last < self.first:
            raise ValueError("the last frame comes before the first")
        return self

    @property
    def indices(self) -> range:
        """0-based frames that the edit names."""
        return range(self.first - 1, self.last)


class Points(_OneFrame):
    """The contour passes through these points."""

    kind: Literal["points"] = "points"
    structure: Structure
    points_px: Annotated[tuple[Point, ...], Field(min_length=1, max_length=MAX_POINTS)]


class Stroke(_OneFrame):
    """The stroke is the border; a closed one is all of it."""

    kind: Literal["stroke"] = "stroke"
    structure: Structure
    points_px: Annotated[tuple[Point, ...], Field(min_length=2, max_length=MAX_POINTS)]
    closed: bool = False

    @model_validator(mode="after")
    def _enough(self) -> Stroke:
        if self.closed and len(self.points_px) < 3:
            raise ValueError("a closed stroke needs at least three points")
        return self


class Bridge(_OneFrame):
    """Between the rays through two points (in growing angle) the border cannot be seen and is bridged."""

    kind: Literal["bridge"] = "bridge"
    structure: Structure
    from_px: Point
    to_px: Point


class NotMeasurable(_FrameRange):
    """The EEM cannot be measured in these frames."""

    kind: Literal["eem_not_measurable"] = "eem_not_measurable"


class Accept(_FrameRange):
    """These frames are right as they are: no later edit changes them."""

    kind: Literal["accept"] = "accept"


class Reopen(_FrameRange):
    """Takes back an acceptance or a rejection."""

    kind: Literal["reopen"] = "reopen"


class Reject(_FrameRange):
    """Nothing in these frames is used."""

    kind: Literal["reject"] = "reject"


class Place(_FrameRange):
    """Where the transducer was."""

    kind: Literal["place"] = "place"
    where: Literal["in_guide", "outside_vessel", "in_vessel"]


class Branch(_FrameRange):
    """A side branch opens here; with two points, between their rays."""

    kind: Literal["branch"] = "branch"
    from_px: Point | None = None
    to_px: Point | None = None


class Stent(_FrameRange):
    """The stent reaches from the first to the last frame and no further."""

    kind: Literal["stent"] = "stent"


class NoStent(_Record):
    """There is no stent in this run."""

    kind: Literal["no_stent"] = "no_stent"


class Dissection(_FrameRange):
    """A tear of the wall: how deep, at which edge of the stent, and between which rays."""

    kind: Literal["dissection"] = "dissection"
    depth: Literal["intima", "media", "adventitia"]
    side: Literal["distal", "proximal", "within"]
    from_px: Point | None = None
    to_px: Point | None = None


class Nodule(_FrameRange):
    """A calcified nodule."""

    kind: Literal["calcified_nodule"] = "calcified_nodule"
    at_px: Point | None = None


class Attenuated(_FrameRange):
    """Attenuated plaque, between the rays through two points when given."""

    kind: Literal["attenuated_plaque"] = "attenuated_plaque"
    from_px: Point | None = None
    to_px: Point | None = None


class Protrusion(_FrameRange):
    """Tissue that protrudes through the struts."""

    kind: Literal["tissue_protrusion"] = "tissue_protrusion"
    at_px: Point | None = None


class Site(_Record):
    """A named place; without a frame the operator's choice is taken back."""

    kind: Literal["site"] = "site"
    name: SiteName
    frame: Frame | None


class Ruler(_OneFrame):
    """Two points a stated distance apart: a check of the scale, or the scale itself."""

    kind: Literal["ruler"] = "ruler"
    from_px: Point
    to_px: Point
    length_mm: Annotated[float, Field(gt=0, le=100)]
    use: Literal["check", "set"] = "check"

    @model_validator(mode="after")
    def _apart(self) -> Ruler:
        if math.dist(self.from_px, self.to_px) < 2.0:
            raise ValueError("the ruler's points are less than two pixels apart")
        return self

    def measured_mm(self, mm_per_px: FloatArray) -> float:
        """Length between the points at `mm_per_px` (x, y)."""
        return float(np.hypot(*((np.array(self.to_px) - np.array(self.from_px)) * mm_per_px)))


class Undo(_Record):
    """Takes back the entry numbered `target`."""

    kind: Literal["undo"] = "undo"
    target: Annotated[int, Field(ge=1)]


class Redo(_Record):
    """Puts the entry numbered `target` back."""

    kind: Literal["redo"] = "redo"
    target: Annotated[int, Field(ge=1)]


Edit = (
    Points
    | Stroke
    | Bridge
    | NotMeasurable
    | Accept
    | Reopen
    | Reject
    | Place
    | Branch
    | Stent
    | NoStent
    | Dissection
    | Nodule
    | Attenuated
    | Protrusion
    | Site
    | Ruler
)
LOOKING = (Points, Stroke)
"""Edits that are solved in the pictures of their frame and its neighbours."""
Finding = Dissection | Nodule | Attenuated | Protrusion
AnyEdit = Annotated[Edit | Undo | Redo, Field(discriminator="kind")]
EDIT: TypeAdapter[Edit | Undo | Redo] = TypeAdapter(AnyEdit)
"""Reads one edit from JSON or a dictionary and refuses whatever is malformed."""


class Entry(_Record):
    """One line of a log.

    Attributes
    ----------
    schema_version
        Version of this record (`schema` in the file).
    number
        1, 2, 3 ... within the log.
    at
        When, with zone.
    why
        Free text of the operator.
    sop_uid
        SOP Instance UID of the run that was looked at.
    """

    schema_version: Literal[1] = Field(default=1, alias="schema")
    number: Annotated[int, Field(ge=1)]
    at: datetime
    reader: Annotated[str, Field(min_length=1, max_length=64)]
    why: Reason = ""
    sop_uid: Annotated[str, Field(max_length=64)]
    edit: AnyEdit

    def line(self) -> str:
        """The entry as one line of JSON, newline included."""
        return self.model_dump_json(by_alias=True) + "\n"


def array_px(points: tuple[Point, ...] | list[Point]) -> FloatArray:
    """Points as (n, 2) float64."""
    return np.array(points, dtype=np.float64).reshape(-1, 2)
