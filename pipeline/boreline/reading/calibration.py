"""Millimetres per pixel: from the region, or from the operator, never guessed."""

from __future__ import annotations

from dataclasses import dataclass

from boreline.errors import InputRefused
from boreline.model import Calibration, CalibrationOrigin, Region
from boreline.reading.attributes import Attributes, tag_name
from boreline.reading.regions import OVERRIDE, find_cross_section, find_rectangle

_OTHER_SPACINGS = ("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing")
_SAME_SCALE = 0.01
_SAME_DEPTH = 0.20
_SAME_ASPECT = 0.02


@dataclass(frozen=True, slots=True)
class CrossSection:
    """Where the cross-section is and how large its pixels are."""

    region: Region
    calibration: Calibration
    centre_px: tuple[float, float] | None
    frequency_mhz: float | None
    warnings: tuple[str, ...]


def read_cross_section(
    attributes: Attributes,
    *,
    rows: int,
    columns: int,
    mm_per_px: tuple[float, float] | None,
    trust_region: bool,
) -> CrossSection:
    """Choose the cross-section and its scale.

    Parameters
    ----------
    mm_per_px
        (x, y) as the operator states them; they replace whatever the file says.
    trust_region
        Believe the region where another spacing contradicts it by more than 1 %.

    Raises
    ------
    InputRefused
        There is no usable calibration, or two disagree; the message names the option that overrides.
    """
    if mm_per_px is not None:
        return _from_operator(attributes, rows, columns, mm_per_px)
    spacings = _other_spacings(attributes)
    try:
        chosen, notes = find_cross_section(attributes, rows=rows, columns=columns, trust_region=trust_region)
    except InputRefused as fault:
        raise _with_spacing(fault, spacings) from None
    for keyword, spacing in spacings.items():
        if all(abs(a - b) <= _SAME_SCALE * b for a, b in zip(chosen.mm_per_px, spacing, strict=True)):
            continue
        x, y = chosen.mm_per_px
        problem = f"{spacing[0]:.5g} x {spacing[1]:.5g} mm contradicts the ultrasound region's {x:.5g} x {y:.5g} mm"
        if not trust_region:
            raise attributes.refusal(problem, keyword, "add --trust-region to use the region, or state --mm-per-pixel")
        notes.append(f"{tag_name(keyword)}: {problem}: the region was used (--trust-region)")
    notes += _depth_note(attributes, chosen.size_mm) + _aspect_note(attributes, chosen.mm_per_px)
    calibration = Calibration(
        *chosen.mm_per_px,
        origin=CalibrationOrigin.REGION,
        detail=f"{tag_name('SequenceOfUltrasoundRegions')}[{chosen.number}] > (0018,602C/602E) PhysicalDeltaX/Y",
    )
    return CrossSection(chosen.region, calibration, chosen.centre_px, chosen.frequency_mhz, tuple(notes))


def _from_operator(attributes: Attributes, rows: int, columns: int, mm_per_px: tuple[float, float]) -> CrossSection:
    x, y = mm_per_px
    if not (0 < x < float("inf") and 0 < y < float("inf")):
        raise InputRefused(f"{x!r} x {y!r} mm is no pixel size", tag="--mm-per-pixel", remedy="state numbers above 0")
    notes = []
    region = find_rectangle(attributes, rows=rows, columns=columns)
    try:
        own, _ = find_cross_section(attributes, rows=rows, columns=columns, trust_region=True)
        if any(abs(a - b) > _SAME_SCALE * a for a, b in zip(own.mm_per_px, mm_per_px, strict=True)):
            notes.append(
                f"--mm-per-pixel {x:g},{y:g} replaces the file's own {own.mm_per_px[0]:.5g},{own.mm_per_px[1]:.5g}"
            )
    except InputRefused as fault:
        notes.append(f"scale stated by the operator; the file's own cannot be used ({fault.problem})")
    calibration = Calibration(x, y, origin=CalibrationOrigin.OPERATOR, detail=f"--mm-per-pixel {x:g},{y:g}")
    return CrossSection(region, calibration, None, None, tuple(notes))


def _other_spacings(attributes: Attributes) -> dict[str, tuple[float, float]]:
    """(x, y) mm of every other spacing; in the file they stand row first."""
    found = {}
    for keyword in _OTHER_SPACINGS:
        try:
            values = attributes.numbers(keyword)
        except InputRefused:
            continue
        if len(values) == 2 and min(values) > 0:
            found[keyword] = (values[1], values[0])
    return found


def _with_spacing(fault: InputRefused, spacings: dict[str, tuple[float, float]]) -> InputRefused:
    """Name the spacing that the operator may vouch for: in ultrasound it does not say what it was measured on."""
    if not spacings:
        return fault
    keyword, (x, y) = next(iter(spacings.items()))
    remedy = f"{OVERRIDE} ({tag_name(keyword)} says {x:.6g},{y:.6g} but not of what)"
    return InputRefused(fault.problem, file=fault.file, tag=fault.tag, remedy=remedy)


def _depth_note(attributes: Attributes, size_mm: tuple[float, float]) -> list[str]:
    try:
        depth_mm = attributes.number("DepthOfScanField")
    except InputRefused:
        return []
    if not depth_mm or depth_mm < 0:
        return []
    # Measured from the transducer: half the field of a cross-section; some state the whole.
    field_mm = min(size_mm)
    if any(abs(depth_mm - expected) <= _SAME_DEPTH * expected for expected in (field_mm / 2, field_mm)):
        return []
    return [f"{tag_name('DepthOfScanField')} {depth_mm:g} mm does not fit a field of {field_mm:.4g} mm"]


def _aspect_note(attributes: Attributes, mm_per_px: tuple[float, float]) -> list[str]:
    try:
        aspect = attributes.numbers("PixelAspectRatio")
    except InputRefused:
        return []
    if len(aspect) != 2 or min(aspect) <= 0:
        return []
    stated, scaled = aspect[0] / aspect[1], mm_per_px[1] / mm_per_px[0]
    if abs(stated - scaled) <= _SAME_ASPECT * scaled:
        return []
    return [f"{tag_name('PixelAspectRatio')} {stated:.4g} contradicts the region's pixels ({scaled:.4g})"]
