"""Contours and masks: a pixel is inside when its centre is inside."""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.geometry.measures import one, polygon_area_mm2
from boreline.model import BoolArray, Calibration, CalibrationOrigin, FloatArray

_PIXELS = Calibration(1.0, 1.0, CalibrationOrigin.OPERATOR, "pixels")


@compiled
def _fill(polygon: FloatArray, mask: BoolArray) -> None:
    rows, columns = mask.shape
    n = len(polygon)
    crossings = np.empty(n)
    for row in range(rows):
        count = 0
        previous = n - 1
        for i in range(n):
            ya, yb = polygon[previous, 1], polygon[i, 1]
            if (ya <= row) != (yb <= row):
                share = (row - ya) / (yb - ya)
                crossings[count] = polygon[previous, 0] + share * (polygon[i, 0] - polygon[previous, 0])
                count += 1
            previous = i
        crossings[:count].sort()
        for pair in range(0, count - 1, 2):
            start = max(int(np.ceil(crossings[pair])), 0)
            stop = min(int(np.ceil(crossings[pair + 1])), columns)
            mask[row, start:stop] = True


def polygon_mask(polygon_px: FloatArray, shape: tuple[int, int]) -> BoolArray:
    """Pixels of an image of `shape` (rows, columns) whose centre lies inside the polygon; parts outside are cut off.

    A centre exactly on an edge counts on one side only, so neighbouring polygons share no pixel.
    """
    mask = np.zeros(shape, dtype=np.bool_)
    vertices, _ = one(polygon_px)
    if len(vertices) >= 3:
        _fill(vertices, mask)
    return mask


def mask_polygon_px(mask: BoolArray) -> FloatArray:
    """Outline of the largest part of a mask (holes ignored), shape (n, 2): x, y; (0, 2) for an empty mask.

    The outline runs half-way between the centres of inside and outside pixels, so `polygon_mask` of it gives the part
    back exactly. Its area is within about one pixel per corner of the pixel count.
    """
    from skimage.measure import find_contours  # heavy, and only imports of foreign masks need it

    outlines = find_contours(np.pad(np.asarray(mask, dtype=np.float64), 1), 0.5)
    if not outlines:
        return np.empty((0, 2))
    polygons = [outline[:-1, ::-1] - 1.0 for outline in outlines]
    return np.ascontiguousarray(max(polygons, key=lambda polygon: polygon_area_mm2(polygon, _PIXELS)))
