"""A quick polar sketch of a pullback for unit tests: speckle, wall layers, struts, calcium and a guide catheter.

Deliberately simple and unlike the phantoms: a complex Gaussian field, blurred by a pulse and a beam, scaled by a
backscatter map in decibels and by the shadow of whatever lies in front; log compressed. Blood is new in every frame,
tissue nearly the same. Row k of the angles points to 360 k / n degrees; column i lies i * mm_per_sample deep.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter

MM_PER_SAMPLE = 0.02
N_ANGLES = 256
N_SAMPLES = 256


@dataclass
class Sketch:
    """What to draw; radii in mm about the transducer, shape (n_frames, N_ANGLES)."""

    lumen_mm: np.ndarray
    eem_mm: np.ndarray
    struts: list = field(default_factory=list)  # per frame: [(angle_deg, radius_mm), ...]
    calcium: list = field(default_factory=list)  # (first frame, last, start_deg, end_deg, depth into the wall in mm)
    attenuated: list = field(default_factory=list)  # the same, shadow without a bright front
    guide_frames: slice | None = None  # ring instead of a wall: radius guide_mm about (guide_x_mm, 0)
    guide_mm: float = 0.9
    guide_x_mm: float = 0.3
    blood_db: float = -18.0
    ring_down_mm: float = 0.5
    seed: int = 1


def circle_mm(radius_mm, x_mm=0.0, y_mm=0.0):
    """Radii of a circle about (x_mm, y_mm) seen from the transducer."""
    t = 2 * np.pi * np.arange(N_ANGLES) / N_ANGLES
    along = x_mm * np.cos(t) + y_mm * np.sin(t)
    return along + np.sqrt(np.maximum(along**2 + radius_mm**2 - x_mm**2 - y_mm**2, 0.0))


def _between(deg, start, end):
    return ((deg - start) % 360.0) <= ((end - start) % 360.0)


def draw(sketch: Sketch) -> np.ndarray:
    """The polar block, shape (n_frames, N_ANGLES, N_SAMPLES), uint8."""
    rng = np.random.default_rng(sketch.seed)
    depth = MM_PER_SAMPLE * np.arange(N_SAMPLES)
    deg = 360.0 * np.arange(N_ANGLES) / N_ANGLES
    tissue = _speckle(rng)
    frames = []
    for frame, (lumen, eem) in enumerate(zip(sketch.lumen_mm, sketch.eem_mm, strict=True)):
        drift = 0.98
        tissue = drift * tissue + np.sqrt(1 - drift**2) * _speckle(rng)
        blood = _speckle(rng)
        lumen, eem = lumen[:, None], eem[:, None]
        level = np.where(depth < eem, -4.0, 0.0) + np.where((depth > eem - 0.15) & (depth < eem), -14.0, 0.0)
        level = level + np.where(depth > eem, -2.0 * (depth - eem), 0.0)
        shadow = np.zeros((N_ANGLES, N_SAMPLES))
        in_guide = sketch.guide_frames is not None and frame in range(
            *sketch.guide_frames.indices(len(sketch.lumen_mm))
        )
        if in_guide:
            lumen = circle_mm(sketch.guide_mm, sketch.guide_x_mm)[:, None]
            level = np.where(depth < lumen + 0.12, 14.0, -25.0)
        for first, last, start, end, into in () if in_guide else sketch.calcium:
            if first <= frame <= last:
                front = lumen + into
                inside = _between(deg, start, end)[:, None]
                level = np.where(inside & (depth >= front) & (depth < front + 0.1), 14.0, level)
                shadow += np.where(inside & (depth >= front + 0.1), 30.0, 0.0)
        for first, last, start, end, into in () if in_guide else sketch.attenuated:
            if first <= frame <= last:
                inside = _between(deg, start, end)[:, None]
                shadow += np.where(inside & (depth >= lumen + into), 40.0 * (depth - lumen - into), 0.0)
        amplitude = np.where(depth < lumen, blood * 10 ** (sketch.blood_db / 20), tissue * 10 ** (level / 20))
        if sketch.struts and not in_guide:
            amplitude = amplitude + _struts(sketch.struts[frame], depth, deg)
            for angle, radius in sketch.struts[frame]:
                near = np.abs((deg - angle + 180) % 360 - 180) < 4.0
                shadow += np.where(near[:, None] & (depth > radius + 0.1), 12.0, 0.0)
        envelope = np.abs(amplitude) * 10 ** (-shadow / 20) + 10 ** (-45 / 20) * np.abs(_speckle(rng))
        envelope = envelope + 8.0 * np.exp(-(((depth - 0.2) / (0.35 * sketch.ring_down_mm)) ** 2))
        grey = 255.0 * (20 * np.log10(np.maximum(envelope, 1e-4)) + 45.0) / 65.0
        frames.append(np.clip(grey, 0, 255).astype(np.uint8))
    return np.stack(frames)


def _speckle(rng):
    field = rng.standard_normal((2, N_ANGLES, N_SAMPLES))
    field = gaussian_filter(field, (0, 2.2, 1.2), mode=("nearest", "wrap", "nearest"))
    field /= field.std()
    return field[0] / np.sqrt(2) + 1j * field[1] / np.sqrt(2)


def _struts(struts, depth, deg):
    drawn = np.zeros((N_ANGLES, N_SAMPLES))
    for angle, radius in struts:
        lateral = np.exp(-0.5 * (((deg - angle + 180) % 360 - 180) / 3.1) ** 2)[:, None]
        drawn += 9.0 * lateral * np.exp(-0.5 * ((depth - radius) / 0.028) ** 2)
    return drawn
