"""What the X-ray runs must agree on: size, view and magnification; and what they offer: pictures, scale, geometry."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from boreline.errors import InputRefused
from boreline.position.xray_geometry import XrayGeometry
from boreline.reading import XrayRun

if TYPE_CHECKING:
    from boreline.position.centreline import Image

SAME_VIEW_DEG = 3.0
"""Largest difference of a positioner angle that still counts as the same view: common practice, no source."""

DEPTH_RELATIVE_SD = 50.0 / np.sqrt(3) / 765.0
"""The vessel lies up to 50 mm before or behind the isocentre, 765 mm from the source (uniform): 3.8 %."""


def pictures(run: XrayRun, start: int = 0) -> Iterator[Image]:
    """Intensities one by one; a frame that cannot be decoded repeats the one before."""
    last: Image | None = None
    for frame in run.frames(start):
        last = frame.intensity if frame.intensity is not None else last
        yield np.zeros((run.rows, run.columns), np.uint8) if last is None else last


def check_views(fluoro: XrayRun, cine: XrayRun, names: tuple[str, str]) -> Iterator[str]:
    """Warnings about what the two runs leave unsaid.

    Raises
    ------
    InputRefused
        They differ in size, view or magnification.
    """
    if (fluoro.rows, fluoro.columns) != (cine.rows, cine.columns):
        raise InputRefused(
            f"the picture is {fluoro.columns} x {fluoro.rows}, that of the cine {cine.columns} x {cine.rows}",
            file=names[0],
            remedy="use a fluoroscopy and a cine of one size and view",
        )
    for word, a, b in (
        ("primary", fluoro.primary_deg[0], cine.primary_deg[0]),
        ("secondary", fluoro.secondary_deg[0], cine.secondary_deg[0]),
    ):
        if not (np.isfinite(a) and np.isfinite(b)):
            yield f"the {word} angle is not stated in both runs: that the view is the same cannot be checked"
        elif abs(a - b) > SAME_VIEW_DEG:
            raise InputRefused(
                f"the {word} positioner angle is {a:g} degrees, that of the cine {b:g}: another view",
                file=names[0],
                remedy="use a cine in the view of the fluoroscopy",
            )
    if fluoro.scale is not None and cine.scale is not None:
        ratio = fluoro.scale.mm_per_px_x / cine.scale.mm_per_px_x
        if abs(ratio - 1) > 0.02:
            raise InputRefused(
                f"its scale is {ratio:.2f} times that of the cine: zoomed, or another distance",
                file=names[0],
                remedy="use a fluoroscopy and a cine of one magnification",
            )
    if fluoro.positioner_moves or fluoro.table_moves or cine.positioner_moves or cine.table_moves:
        yield "the file says that the positioner or the table moved during a run"


def xray_scale(
    cine: XrayRun, stated: float | None, guide: tuple[float, tuple[float, float]] | None, name: str
) -> tuple[float, str, float]:
    """Millimetres per pixel, where they come from, and their relative standard uncertainty."""
    if stated is not None:
        if not (np.isfinite(stated) and stated > 0):
            raise InputRefused(
                f"{stated:g} mm is no size of a pixel",
                tag="--xray-mm-per-pixel",
                remedy="give a number above 0, or --guide FRENCH,X,Y instead",
            )
        return float(stated), f"--xray-mm-per-pixel {stated:g}", float(DEPTH_RELATIVE_SD)
    if guide is not None:
        from boreline.position.guide_scale import GUIDE_RELATIVE_SD, mm_per_px_from_guide  # only where one is stated

        french, place = guide
        measured = mm_per_px_from_guide(next(pictures(cine)), place, french)
        return measured, f"width of a guide catheter of {french:g} French", GUIDE_RELATIVE_SD
    if cine.scale is None:
        raise InputRefused(
            f"has no X-ray scale ({cine.scale_problem})",
            file=name,
            remedy="state --xray-mm-per-pixel MM or --guide FRENCH,X,Y",
        )
    mean = float(np.sqrt(cine.scale.mm_per_px_x * cine.scale.mm_per_px_y))
    return mean, cine.scale.detail, float(DEPTH_RELATIVE_SD)


def geometry_of(run: XrayRun, name: str) -> XrayGeometry:
    """The view's geometry.

    Raises
    ------
    InputRefused
        The file does not state all of it.
    """
    distances = run.distance_source_to_detector_mm, run.distance_source_to_patient_mm
    if None in distances or run.scale is None or not np.isfinite(run.primary_deg[0] + run.secondary_deg[0]):
        raise InputRefused(
            f"{name} states no full geometry (angles, distances, spacing)",
            tag="--cine2",
            remedy="leave --cine2 out: the length is then a lower bound",
        )
    detector_mm, patient_mm = (float(d) for d in distances if d is not None)
    imager = run.scale.mm_per_px_x * detector_mm / patient_mm
    centre = ((run.columns - 1) / 2, (run.rows - 1) / 2)
    return XrayGeometry(float(run.primary_deg[0]), float(run.secondary_deg[0]), detector_mm, patient_mm, imager, centre)
