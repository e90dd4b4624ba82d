"""The cross-section and its scale, from the Sequence of Ultrasound Regions (PS3.3 C.8.5.5)."""

from __future__ import annotations

from dataclasses import dataclass

from boreline.errors import InputRefused
from boreline.model import Region
from boreline.reading.attributes import Attributes, tag_name

_FORMAT_2D = 1
_TISSUE = 1
_COLOUR_FLOW = 2
_CENTIMETRES = 3
_SEQUENCE = "SequenceOfUltrasoundRegions"
OVERRIDE = "state --mm-per-pixel X[,Y] if you know the scale"


@dataclass(frozen=True, slots=True)
class UltrasoundRegion:
    """One 2D region: its rectangle, its axis and its scale."""

    region: Region
    mm_per_px: tuple[float, float]
    centre_px: tuple[float, float] | None
    number: int  # of its item, from 1
    frequency_mhz: float | None

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.region.width_px * self.mm_per_px[0], self.region.height_px * self.mm_per_px[1]


def find_cross_section(
    attributes: Attributes, *, rows: int, columns: int, trust_region: bool
) -> tuple[UltrasoundRegion, list[str]]:
    """Choose the region that shows the cross-section and read its scale.

    Candidates are 2D regions of tissue (or of colour flow where there is no other) measured in centimetres both
    ways; a longitudinal strip (units of time, or a far from square field) is none. The largest is taken.

    Returns
    -------
    UltrasoundRegion
    list of str
        Warnings.

    Raises
    ------
    InputRefused
        There is no candidate, its scale or rectangle is impossible, or two candidates cannot be told apart.
    """
    items = _two_dimensional(attributes)
    in_cm = [(number, item) for number, item in items if _units(item) == (_CENTIMETRES, _CENTIMETRES)]
    if not in_cm:
        units = " and ".join(str(unit) for unit in _units(items[0][1]))
        raise items[0][1].refusal(
            f"the cross-section's units are {units}, not 3 (cm)", "PhysicalUnitsXDirection", OVERRIDE
        )
    notes: list[str] = []
    candidates: list[UltrasoundRegion] = []
    for number, item in in_cm:
        found, note = _read(item, number, rows, columns)
        notes += note
        if all((found.region, found.mm_per_px) != (other.region, other.mm_per_px) for other in candidates):
            candidates.append(found)
    chosen = _choose(candidates, attributes, trust_region, notes)
    _check_size(chosen, attributes, trust_region, notes)
    return chosen, notes


def find_rectangle(attributes: Attributes, *, rows: int, columns: int) -> Region:
    """The cross-section's rectangle where the operator states the scale; the whole picture when none is sound."""
    rectangles = []
    try:
        for number, item in _two_dimensional(attributes):
            try:
                rectangles.append(_rectangle(item, number, rows, columns)[0])
            except InputRefused:
                continue
    except InputRefused:
        pass
    whole = Region(0, 0, columns - 1, rows - 1)
    return max(rectangles, key=lambda region: region.width_px * region.height_px, default=whole)


def _two_dimensional(attributes: Attributes) -> list[tuple[int, Attributes]]:
    items = list(enumerate(attributes.items(_SEQUENCE), start=1))
    if not items:
        raise attributes.refusal("no calibrated ultrasound region", _SEQUENCE, OVERRIDE)
    flat = [(n, item) for n, item in items if item.integer("RegionSpatialFormat") == _FORMAT_2D]
    for data_type in (_TISSUE, _COLOUR_FLOW):
        of_type = [(n, item) for n, item in flat if item.integer("RegionDataType") == data_type]
        if of_type:
            return of_type
    raise attributes.refusal(f"none of {len(items)} regions is a 2D picture of tissue", _SEQUENCE, OVERRIDE)


def _units(item: Attributes) -> tuple[int, int]:
    return item.integer("PhysicalUnitsXDirection") or 0, item.integer("PhysicalUnitsYDirection") or 0


def _read(item: Attributes, number: int, rows: int, columns: int) -> tuple[UltrasoundRegion, list[str]]:
    region, notes = _rectangle(item, number, rows, columns)
    scale = []
    for keyword in ("PhysicalDeltaX", "PhysicalDeltaY"):
        delta_cm = item.number(keyword)
        if delta_cm is None or not delta_cm > 0:
            shown = "missing" if delta_cm is None else f"{delta_cm:g}"
            raise item.refusal(f"region {number}: the size of a pixel is {shown}", keyword, OVERRIDE)
        scale.append(10 * delta_cm)
    x, y = item.integer("ReferencePixelX0"), item.integer("ReferencePixelY0")
    centre = None if x is None or y is None else (float(region.x0 + x), float(region.y0 + y))
    frequency_khz = item.number("TransducerFrequency")
    return UltrasoundRegion(
        region, (scale[0], scale[1]), centre, number, frequency_khz / 1000 if frequency_khz else None
    ), notes


def _rectangle(item: Attributes, number: int, rows: int, columns: int) -> tuple[Region, list[str]]:
    corners = []
    for keyword in ("RegionLocationMinX0", "RegionLocationMinY0", "RegionLocationMaxX1", "RegionLocationMaxY1"):
        value = item.integer(keyword)
        if value is None:
            raise item.refusal(f"region {number}: missing", keyword, OVERRIDE)
        corners.append(value)
    x0, y0, x1, y1 = corners
    if x1 <= x0 or y1 <= y0:
        raise item.refusal(f"region {number} is empty", "RegionLocationMaxX1", OVERRIDE)
    for last, size, keyword in ((x1, columns, "RegionLocationMaxX1"), (y1, rows, "RegionLocationMaxY1")):
        if last > size:
            raise item.refusal(
                f"region {number} ends at {last}, beyond the picture's last pixel {size - 1}: the calibration is stale",
                keyword,
                OVERRIDE,
            )
    notes = []
    if x1 == columns or y1 == rows:
        notes.append(f"region {number} ends one pixel beyond the picture and was clipped")
    region = Region(x0, y0, min(x1, columns - 1), min(y1, rows - 1))
    if region.x1 <= region.x0 or region.y1 <= region.y0:
        raise item.refusal(f"region {number} lies outside the picture", "RegionLocationMinX0", OVERRIDE)
    return region, notes


_SHAPE_LIMIT = 2.0  # a cross-section is a disc in a nearly square field; a longitudinal strip is not
_SMALLEST_MM, _LARGEST_MM = 4.0, 100.0  # common practice, no source
_SAME_SCALE = 0.01
_DELTAS_APART = 0.20


def _choose(
    candidates: list[UltrasoundRegion], attributes: Attributes, trust_region: bool, notes: list[str]
) -> UltrasoundRegion:
    squarish = [c for c in candidates if max(c.size_mm) <= _SHAPE_LIMIT * min(c.size_mm)] or candidates
    ordered = sorted(squarish, key=lambda c: (-c.region.width_px * c.region.height_px, c.number))
    chosen = ordered[0]
    problem = None
    for other in ordered[1:]:
        if any(_apart(a, b) > _SAME_SCALE for a, b in zip(chosen.mm_per_px, other.mm_per_px, strict=True)):
            problem = f"regions {chosen.number} and {other.number} have different scales"
        elif other.region.width_px * other.region.height_px == chosen.region.width_px * chosen.region.height_px:
            problem = f"regions {chosen.number} and {other.number} are two equal cross-sections"
        if problem and not trust_region:
            raise attributes.refusal(
                problem, _SEQUENCE, f"add --trust-region to use region {chosen.number}, or state --mm-per-pixel X[,Y]"
            )
        if problem:
            notes.append(f"{problem}: region {chosen.number} was used (--trust-region)")
            break
    return chosen


def _check_size(chosen: UltrasoundRegion, attributes: Attributes, trust_region: bool, notes: list[str]) -> None:
    width_mm, height_mm = chosen.size_mm
    if min(chosen.size_mm) < _SMALLEST_MM or max(chosen.size_mm) > _LARGEST_MM:
        problem = (
            f"region {chosen.number} is {width_mm:.4g} x {height_mm:.4g} mm, "
            f"no intravascular field of view ({_SMALLEST_MM:g} to {_LARGEST_MM:g} mm)"
        )
        if not trust_region:
            raise attributes.refusal(
                problem, _SEQUENCE, "add --trust-region to believe it, or state --mm-per-pixel X[,Y]"
            )
        notes.append(f"{problem}: believed (--trust-region)")
    if _apart(*chosen.mm_per_px) > _DELTAS_APART:
        x, y = chosen.mm_per_px
        notes.append(f"the pixels are far from square: {x:.5g} x {y:.5g} mm ({tag_name('PhysicalDeltaX')})")


def _apart(a: float, b: float) -> float:
    """Relative difference."""
    return abs(a - b) / max(abs(a), abs(b))
