"""A plain segmenter: a snake of scikit-image on each frame by itself.

It shows that the seam takes other methods, and gives every other segmenter something to be better than. Lumen only; it
knows nothing of speckle, shadow or neighbours, and its confidence is unknown.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import islice

import cv2
import numpy as np
from skimage.filters import threshold_otsu
from skimage.segmentation import active_contour

from boreline.flags import Flag
from boreline.geometry import radii_polygon_px
from boreline.model import Contours, FloatArray, Frame, Run, Sectors, Segmentation, Structure
from boreline.segmentation.polar import PolarBlock, PolarSampler
from boreline.segmentation.protocol import Progress, no_progress

N_POINTS = 128
_START_MM = 0.6
_REACH_MM = 3.0
_WALL_MM = 0.12
_STEPS = 60
_AT_ONCE = 16


class ActiveContour:
    """Start where grey first stays above Otsu's threshold, then let `skimage.segmentation.active_contour` settle."""

    name = "active-contour"
    version = "1"

    def segment(self, run: Run, *, threads: int = 1, progress: Progress = no_progress) -> Segmentation:
        """See `boreline.segmentation.protocol.Segmenter`."""
        sampler = PolarSampler.of(run)
        n = run.n_frames
        polygons: list[FloatArray] = []
        flags: list[frozenset[Flag]] = []

        def look(frame: Frame) -> tuple[FloatArray, frozenset[Flag]]:
            picture = sampler(frame)
            if picture is None:
                return np.empty((0, 2)), frozenset({Flag.DECODE_FAILED if frame.grey is None else Flag.BLANK})
            radii = _snake(picture, sampler.mm_per_sample)
            return radii_polygon_px(radii, sampler.grid.calibration, sampler.grid.centre_px), frozenset()

        frames = run.frames()
        with ThreadPoolExecutor(max(1, threads)) as pool:
            while some := list(islice(frames, _AT_ONCE)):
                for polygon, words in pool.map(look, some):
                    polygons.append(polygon)
                    flags.append(words)
                progress(len(polygons), n)
        unknown = np.full(n, np.nan)
        return Segmentation(
            contours={
                Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, polygons),
                Structure.EEM: Contours.empty(Structure.EEM, n),
                Structure.STENT: Contours.empty(Structure.STENT, n),
            },
            sectors=Sectors.empty(),
            confidence=dict.fromkeys(Structure, unknown),
            area_sd_mm2=dict.fromkeys(Structure, unknown),
            eem_hidden_deg=unknown,
            calcium_arc_deg=unknown,
            malapposition_mm=unknown,
            flags=tuple(flags),
        )


def _snake(picture: PolarBlock, mm_per_sample: float) -> FloatArray:
    """Radii in mm of one frame's contour, (N_POINTS,)."""
    turn = len(picture)
    smooth = cv2.GaussianBlur(np.concatenate([picture, picture, picture]), (0, 0), 2.0)
    near, far = int(_START_MM / mm_per_sample), min(int(_REACH_MM / mm_per_sample), picture.shape[1] - 1)
    middle = smooth[turn : 2 * turn]
    bright = middle[:, near:far] > threshold_otsu(middle[:, near:far])
    stays = cv2.erode(bright.astype(np.uint8), np.ones((1, max(1, int(_WALL_MM / mm_per_sample))), np.uint8))
    depth = np.where(stays.any(axis=1), near + np.argmax(stays, axis=1), far).astype(np.float64)
    rays = np.linspace(0, 3 * turn, 3 * N_POINTS, endpoint=False)
    start = np.column_stack([rays, np.interp(rays % turn, np.arange(turn), depth, period=turn)])
    settled = active_contour(
        smooth / 255.0,
        start,
        alpha=0.01,
        beta=5.0,
        w_line=0,
        w_edge=1,
        gamma=0.1,
        max_num_iter=_STEPS,
        boundary_condition="free-fixed",
    )
    found = np.interp(rays[N_POINTS : 2 * N_POINTS], settled[:, 0], settled[:, 1])
    radii: FloatArray = np.clip(found, 1, picture.shape[1] - 1) * mm_per_sample
    return radii
