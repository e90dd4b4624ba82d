"""A made-up cine: a beating vessel filled with contrast medium, quantum noise, and, if wanted, text burned in."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from boreline.model import FloatArray, Timing
from boreline.reading import XrayRun
from boreline.reading.xray import RadiationSetting, XrayFrame

SIDE, N_FRAMES = 384, 30
WORDS = (
    ("OTTOKAR ZWIEBELFISCH", (8, 18), 0.45, 255),
    ("KLINIK MORGENTAU", (90, 250), 0.6, 255),
    ("PID-4711-QX", (210, 150), 0.4, 0),
)
"""Invented text, its place, size and grey level; the second and third lie beside the path and across it."""


def path_px(n: int = 200) -> FloatArray:
    """Points of the vessel, (n, 2), from distal to proximal."""
    y = np.linspace(330.0, 60.0, n)
    return np.column_stack([190 + 40 * np.sin(y / 70), y])


def cine(*, text: bool, quality: int | None = None, bits: int = 8) -> XrayRun:
    """Frames are drawn when they are asked for; `quality` sends each through a lossy JPEG encoder (8 bits)."""

    def frames(start: int, stop: int) -> Iterator[XrayFrame]:
        for k in range(start, stop):
            yield XrayFrame(k, _frame(k, text, quality, bits))

    return XrayRun(
        sop_instance_uid="2.25.1",
        study_uid="2.25.2",
        series_uid="2.25.3",
        rows=SIDE,
        columns=SIDE,
        n_frames=N_FRAMES,
        bits_stored=bits,
        decoder="none",
        lossy=quality is not None,
        radiation=RadiationSetting.CINE,
        intensity_relationship="LOG",
        inverted=False,
        timing=Timing(np.arange(N_FRAMES) / 15.0, "made up"),
        scale=None,
        scale_problem=None,
        distance_source_to_detector_mm=None,
        distance_source_to_patient_mm=None,
        primary_deg=np.zeros(N_FRAMES),
        secondary_deg=np.zeros(N_FRAMES),
        positioner_moves=False,
        table_moves=False,
        r_wave_frames=np.empty(0, dtype=np.int64),
        subtraction_declared=False,
        plane="",
        read_frames=frames,
    )


def _frame(k: int, text: bool, quality: int | None, bits: int) -> np.ndarray:
    rng = np.random.default_rng(k)
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    light = 190.0 + 45 * np.sin(x / 90) * np.cos(y / 130)  # close to white in places
    vessel = np.zeros((SIDE, SIDE), dtype=np.uint8)
    beat = 4 * np.sin(2 * np.pi * k / 12)
    line = np.rint(path_px() + np.array([beat, 0.0])).astype(np.int32)
    cv2.polylines(vessel, [line], False, 255, 11, cv2.LINE_AA)
    light *= 1 - 0.55 * vessel / 255
    noisy = np.clip(light + rng.normal(0, 0.28 * np.sqrt(light)), 0, 255)
    picture = np.asarray(noisy, dtype=np.uint8)
    if text:
        for word, place, size, grey in WORDS:
            cv2.putText(picture, word, place, cv2.FONT_HERSHEY_SIMPLEX, size, grey, 1, cv2.LINE_AA)
    if quality is not None:
        packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        picture = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)
    return picture.astype(np.uint16) << (bits - 8) if bits > 8 else picture


def letters(words: tuple[tuple[str, tuple[int, int], float, int], ...] = WORDS) -> np.ndarray:
    """Where the words' strokes lie, (SIDE, SIDE)."""
    mask = np.zeros((SIDE, SIDE), dtype=np.uint8)
    for word, place, size, _ in words:
        cv2.putText(mask, word, place, cv2.FONT_HERSHEY_SIMPLEX, size, 255, 1)
    return mask > 0
