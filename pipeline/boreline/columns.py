"""The data dictionary: every table that Boreline writes, column by column.

Tables are written from these definitions and `boreline columns` prints them, so the file and its
manual cannot drift. In every table `frame` counts from 1, as DICOM does; arrays in memory count from 0.
An empty cell means "not known" or "not measurable", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """The type of a column's values."""

    INTEGER = "integer"
    NUMBER = "number"
    TEXT = "text"
    BOOLEAN = "boolean"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, type, unit, meaning and how many decimals a text file keeps."""

    name: str
    kind: Kind
    unit: str
    meaning: str
    decimals: int = 4


@dataclass(frozen=True, slots=True)
class Table:
    """One file of the result folder."""

    file: str
    meaning: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in file order."""
        return tuple(column.name for column in self.columns)


def _n(name: str, unit: str, meaning: str, decimals: int = 4) -> Column:
    return Column(name, Kind.NUMBER, unit, meaning, decimals)


_FRAME = Column("frame", Kind.INTEGER, "", "frame number, counted from 1 as DICOM does")
_POSITION = "place along the vessel: 0 is the most distal position inside the vessel, growing proximally"

_AREAS = (
    _n("lumen_area_mm2", "mm2", "area inside the lumen border (leading edge of the intima)"),
    _n(
        "lumen_area_sd_mm2",
        "mm2",
        "standard uncertainty of lumen_area_mm2 from the contour alone (calibration apart)",
    ),
    _n("lumen_min_diameter_mm", "mm", "shortest chord of the lumen through its centre of mass"),
    _n("lumen_max_diameter_mm", "mm", "longest chord of the lumen through its centre of mass"),
    _n("eem_area_mm2", "mm2", "area inside the external elastic membrane; empty when not measurable"),
    _n("eem_area_sd_mm2", "mm2", "standard uncertainty of eem_area_mm2 from the contour alone"),
    _n("eem_min_diameter_mm", "mm", "shortest chord of the EEM through its centre of mass"),
    _n("eem_max_diameter_mm", "mm", "longest chord of the EEM through its centre of mass"),
    _n(
        "eem_hidden_deg",
        "deg",
        "angle over which the EEM cannot be seen, apex at the lumen's centre of mass",
        1,
    ),
    _n("plaque_area_mm2", "mm2", "plaque plus media: EEM area minus lumen area"),
    _n("plaque_burden_pct", "%", "100 x (EEM area - lumen area) / EEM area", 2),
    _n("calcium_arc_deg", "deg", "sum of calcium arcs, apex at the lumen's centre of mass", 1),
    _n(
        "stent_area_mm2",
        "mm2",
        "area inside the curve through the struts; empty without a stent",
    ),
    _n("stent_area_sd_mm2", "mm2", "standard uncertainty of stent_area_mm2 from the contour alone"),
    _n("malapposition_mm", "mm", "largest strut-to-wall distance in the frame; empty without a stent or if not told"),
)

FRAMES = Table(
    "frames.csv",
    "one row per DICOM frame",
    (
        _FRAME,
        _n("time_s", "s", "time from the first frame; empty without usable timing", 6),
        _n("position_mm", "mm", _POSITION + "; empty when unknown"),
        *_AREAS,
        _n(
            "confidence",
            "0..1",
            "confidence in the lumen contour: chance that its Jaccard index is at least 0.9",
        ),
        _n("eem_confidence", "0..1", "the same for the EEM contour"),
        _n("stent_confidence", "0..1", "the same for the stent contour"),
        Column("gated", Kind.BOOLEAN, "", "true for the frames kept by cardiac gating; empty when not gated"),
        Column("reviewed", Kind.BOOLEAN, "", "true once an operator accepted or edited the frame"),
        Column("flags", Kind.TEXT, "", "semicolon-separated words of the flag registry; empty when none"),
    ),
)

PROFILE = Table(
    "profile.csv",
    "the vessel on a regular grid; absent for a run without positions",
    (
        _n("position_mm", "mm", _POSITION),
        *_AREAS,
        Column("n_frames", Kind.INTEGER, "", "frames that contribute to this grid point"),
        Column("revisited", Kind.BOOLEAN, "", "true where the transducer passed more than once"),
        Column("frame", Kind.INTEGER, "", "the frame nearest to this grid point, counted from 1"),
        Column("flags", Kind.TEXT, "", "flags of the contributing frames that bear on the areas"),
    ),
)

CONTOURS = Table(
    "contours.parquet",
    "closed contours; 0-based pixel-centre coordinates of the full DICOM frame",
    (
        _FRAME,
        Column("structure", Kind.TEXT, "", "lumen, eem or stent"),
        Column("vertex", Kind.INTEGER, "", "vertex number within the contour, from 0; the first is not repeated"),
        _n("x_px", "px", "column"),
        _n("y_px", "px", "row"),
        Column("seen", Kind.BOOLEAN, "", "true where the border was seen, false where it was bridged"),
        Column("origin", Kind.TEXT, "", "automatic, operator or imported"),
    ),
)

SECTORS = Table(
    "sectors.parquet",
    "angle ranges; apex at the lumen's centre of mass, 0 degrees to the right (+x), growing towards +y (clockwise)",
    (
        _FRAME,
        Column("kind", Kind.TEXT, "", "shadow, calcium, guidewire, branch, strut or attenuated"),
        _n("start_deg", "deg", "start, 0 <= start < 360"),
        _n("end_deg", "deg", "end, start < end <= start + 360"),
        _n("depth_mm", "mm", "distance from the apex to the leading edge; empty when it has none"),
    ),
)

MARKER = Table(
    "marker.parquet",
    "the transducer's marker in the fluoroscopy run",
    (
        _FRAME,
        _n("x_px", "px", "column in the fluoroscopy frame"),
        _n("y_px", "px", "row in the fluoroscopy frame"),
        _n("confidence", "0..1", "confidence in the marker's place"),
    ),
)

PATH = Table(
    "path.parquet",
    "where each IVUS frame lies on the cine frame named in run.json",
    (
        _FRAME,
        _n("x_px", "px", "column in the cine frame"),
        _n("y_px", "px", "row in the cine frame"),
        _n("arc_mm", "mm", "distance along the vessel's centreline from its distal end"),
    ),
)

TABLES = (FRAMES, PROFILE, CONTOURS, SECTORS, MARKER, PATH)
