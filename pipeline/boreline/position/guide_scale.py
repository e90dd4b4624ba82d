"""X-ray scale from the guide catheter, whose size is known: 1 French = 1/3 mm of outer diameter.

Measured before contrast arrives: contrast fills the bore, whose shadow would pass for the whole guide.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates

from boreline.errors import InputRefused
from boreline.model import FloatArray
from boreline.position.centreline import Image

MM_PER_FRENCH = 1.0 / 3.0
GUIDE_RELATIVE_SD = 0.075
"""Root mean square over the shadows of tubes (5 to 8 French, bores of 0.82 to 0.90 of the outer diameter, empty to
0.4 of the wall's darkness, usual blur; worked out in the tests). The steepest place of a thin wall over an empty bore
lies up to 17 % too far out, that of a nearly even tube up to 8 % too far in. The mean, +2.6 %, is not corrected for:
how dark a bore is cannot be told from the width of a blurred wall."""

_REACH_PX = 24.0
_ALONG_PX = 14
_WIDTHS_PX = (3.0, 30.0)


def mm_per_px_from_guide(frame: Image, at_px: tuple[float, float], french: float) -> float:
    """Scale from the width of the guide's shadow at a place that the operator points to.

    The width is that between the steepest places of the mean of profiles across the guide.

    Raises
    ------
    InputRefused
        The size is impossible, or there is no dark band of plausible width at the place.
    """
    if not 3 <= french <= 14:
        raise InputRefused(f"{french:g} French is no guide catheter", tag="--guide", remedy="give 3 to 14 French")
    rows, columns = frame.shape
    if not (0 <= at_px[0] < columns and 0 <= at_px[1] < rows):
        raise InputRefused(
            f"{at_px[0]:g},{at_px[1]:g} lies outside the {columns} x {rows} picture",
            tag="--guide",
            remedy="give FRENCH,X,Y with a place on the guide in the first cine frame, in pixels",
        )
    grey = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 0.7)
    # Straight across, the edges are sharpest.
    _, width = max(_band(grey, at_px, angle) for angle in np.arange(0, 180, 4.0))
    if not (_WIDTHS_PX[0] <= width <= _WIDTHS_PX[1]):
        raise InputRefused(
            f"no guide catheter is seen at {at_px[0]:g},{at_px[1]:g}", tag="--guide", remedy="point to its dark band"
        )
    return french * MM_PER_FRENCH / width


def _band(grey: FloatArray, at_px: tuple[float, float], across_deg: float) -> tuple[float, float]:
    """Sharpness and width (px) of the dark band along one direction; sharpness 0 where the profile is no band."""
    turn = np.radians(across_deg)
    across, along = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    steps = np.arange(-_REACH_PX, _REACH_PX + 0.25, 0.25)
    shifts = np.arange(-_ALONG_PX, _ALONG_PX + 1)
    places = np.array(at_px) + steps[None, :, None] * across + shifts[:, None, None] * along
    profile = map_coordinates(grey, [places[..., 1], places[..., 0]], order=1, mode="nearest").mean(axis=0)
    edge = len(steps) // 8
    base = np.linspace(profile[:edge].mean(), profile[-edge:].mean(), len(steps))
    depth = base - profile
    middle = slice(len(steps) // 2 - 16, len(steps) // 2 + 17)
    top = int(np.argmax(depth[middle])) + middle.start
    half = float(np.percentile(depth[middle], 90)) / 2
    if half <= 2.0 * float(np.std(depth[:edge])) or half <= 0.5:
        return 0.0, float("nan")
    outside = depth < half
    left, right = np.flatnonzero(outside[:top]), np.flatnonzero(outside[top:])
    if not (left.size and right.size):
        return 0.0, float("nan")
    # The edges are where the profile is steepest: a sloping background does not move them.
    steep = gaussian_filter1d(np.gradient(profile), 3.0)
    begin = _summit(-steep, int(left[-1]))
    end = _summit(steep, top + int(right[0]))
    sharpness = float(min(-steep[round(begin)], steep[round(end)]))
    return sharpness, (end - begin) * 0.25


def _summit(values: FloatArray, near: int) -> float:
    """Place of the highest value within two pixels, to a fraction of a step."""
    first = max(1, near - 8)
    k = first + int(np.argmax(values[first : min(len(values) - 1, near + 9)]))
    bend = values[k - 1] - 2 * values[k] + values[k + 1]
    return k + float(np.clip((values[k - 1] - values[k + 1]) / (2 * bend), -0.5, 0.5)) if bend < 0 else float(k)
