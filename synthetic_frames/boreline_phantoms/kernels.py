"""Inner loops of the ultrasound: layers to brightness, scatterers to field, field to echo, echo to grey."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np

Array = Any
Loop = TypeVar("Loop", bound=Callable[..., None])
TO_NEPER = math.log(10.0) / 20.0


def _compiled(loop: Loop) -> Loop:
    """Compile at first use, and keep the machine code where a folder for it can be written."""
    try:
        return cast(Loop, numba.njit(nogil=True, fastmath=True, cache=True)(loop))
    except RuntimeError:  # neither the package nor the home folder is writable
        return cast(Loop, numba.njit(nogil=True, fastmath=True)(loop))


@_compiled
def paint(
    lumen: Array,
    intima: Array,
    media: Array,
    eem: Array,
    pocket: Array,
    plaque_db: Array,
    plaque_loss: Array,
    calcium: Array,
    calcium_db: Array,
    echo_db: Array,
    shadow_from: Array,
    shadow_db: Array,
    drop_db: Array,
    circles: Array,
    levels: Array,
    step_mm: float,
    blood_map: Array,
    tissue_map: Array,
) -> None:
    """Amplitude of blood and of tissue at every (angle, range), attenuation included.

    `circles` rows are x, y, radius, wall (0 = a vein: dark, no wall; > 0 = a branch; < 0 = a dark
    band of that width inside the circle, bright beyond). `levels` holds blood, intima,
    media, outside, tissue loss, calcium loss, calcium thickness, sheath radius, fall of the adventitia (mm).
    """
    n_angles, n_ranges = blood_map.shape
    blood_db, intima_db, media_db, outside_db = levels[0], levels[1], levels[2], levels[3]
    tissue_loss, calcium_loss, calcium_mm, sheath = levels[4], levels[5], levels[6], levels[7]
    fall = levels[8]
    for j in range(n_angles):
        angle = 2.0 * math.pi * j / n_angles
        c, s = math.cos(angle), math.sin(angle)
        lost = drop_db[j]
        flap_end = lumen[j] + 0.11
        for i in range(n_ranges):
            r = (i + 0.5) * step_mm
            blood_map[j, i] = 0.0
            tissue_map[j, i] = 0.0
            if r < sheath:
                continue
            is_blood = False
            loss = 0.0
            if r < lumen[j] or (pocket[j] > 0.0 and r >= flap_end and r < flap_end + pocket[j]):
                is_blood = True
                level = blood_db
            elif r < intima[j]:
                level = intima_db
                loss = tissue_loss
            elif r < media[j]:
                level = plaque_db[j]
                loss = plaque_loss[j]
            elif r < eem[j]:
                level = media_db
                loss = tissue_loss
            else:
                level = outside_db * (1.0 - math.exp(-(r - eem[j]) / fall))
                loss = tissue_loss
            for k in range(circles.shape[0]):
                dx, dy = r * c - circles[k, 0], r * s - circles[k, 1]
                reach = math.sqrt(dx * dx + dy * dy) - circles[k, 2]
                wall = circles[k, 3]
                if wall < 0.0:
                    if r > eem[j] + 0.25 and wall < reach < 0.12:
                        level = -26.0 if reach < 0.0 else 3.0
                elif reach < 0.0:
                    if wall > 0.0 or r > eem[j]:
                        is_blood = True
                        level = blood_db
                        loss = 0.0
                elif reach < wall and r > eem[j]:
                    if reach < 0.3 * wall:
                        level = intima_db
                    elif reach < 0.6 * wall:
                        level = media_db
                    else:
                        level = 0.0
            front = calcium[j]
            if r >= front and not is_blood:
                behind = r - front
                if behind < calcium_mm:
                    # The front shines before the rest swallows the sound.
                    level = calcium_db[j]
                    loss = calcium_loss if behind > 0.4 * calcium_mm else 0.0
                else:
                    loss = 0.0
            lost += loss * step_mm
            shadow = shadow_db[j] if r > shadow_from[j] else 0.0
            value = math.exp((level - lost - shadow) * TO_NEPER)
            if r >= 2.0 * front and r < 2.0 * front + 0.4:
                value += math.exp((echo_db[j] - 30.0 * (r - 2.0 * front)) * TO_NEPER)
                is_blood = False
            elif r >= 3.0 * front and r < 3.0 * front + 0.4:
                value += math.exp((echo_db[j] - 12.0 - 30.0 * (r - 3.0 * front)) * TO_NEPER)
                is_blood = False
            if is_blood:
                blood_map[j, i] = value
            else:
                tissue_map[j, i] = value


@_compiled
def scatter(
    xs: Array,
    ys: Array,
    weights: Array,
    view: Array,
    x0: float,
    y0: float,
    box_mm: float,
    amplitude: Array,
    least_mm: float,
    step_mm: float,
    phase_per_mm: float,
    real: Array,
    imag: Array,
    faintest: float,
) -> None:
    """Add the echoes of scatterers, periodic in a box, to the polar field.

    `view` is the 2 x 2 matrix from the vessel's to the catheter's millimetres, (x0, y0) the catheter in the vessel;
    scatterers weaker than `faintest` are left out.
    """
    n_angles, n_ranges = amplitude.shape
    most2 = (n_ranges * step_mm) ** 2
    least2 = least_mm * least_mm
    per_angle = n_angles / (2.0 * math.pi)
    for k in range(xs.shape[0]):
        if weights[k] < faintest:
            continue
        dx = xs[k] - x0
        dy = ys[k] - y0
        dx -= box_mm * math.floor(dx / box_mm + 0.5)
        dy -= box_mm * math.floor(dy / box_mm + 0.5)
        u = view[0, 0] * dx + view[0, 1] * dy
        v = view[1, 0] * dx + view[1, 1] * dy
        r2 = u * u + v * v
        if r2 >= most2 or r2 < least2:
            continue
        r = math.sqrt(r2)
        angle = math.atan2(v, u) * per_angle
        j = math.floor(angle + 0.5)
        if j < 0:
            j += n_angles
        if j >= n_angles:
            j -= n_angles
        i = int(r / step_mm)
        a = amplitude[j, i]
        a *= weights[k]
        if a <= 0.0:
            continue
        phase = phase_per_mm * r
        real[j, i] += a * math.cos(phase)
        imag[j, i] += a * math.sin(phase)


@_compiled
def widen(field: Array, taps: Array, widths: Array, block: int, out: Array) -> None:
    """Convolve across angles, cyclic; `taps` (n_taps, n_ranges) is one side of the kernel, centre first.

    `widths[b]` taps are used in the b-th block of `block` ranges.
    """
    n_angles, n_ranges = field.shape
    for j in range(n_angles):
        for b in range(widths.shape[0]):
            i0, i1 = b * block, min((b + 1) * block, n_ranges)
            for i in range(i0, i1):
                out[j, i] = taps[0, i] * field[j, i]
            for t in range(1, widths[b]):
                up = j + t
                if up >= n_angles:
                    up -= n_angles
                down = j - t
                if down < 0:
                    down += n_angles
                for i in range(i0, i1):
                    out[j, i] += taps[t, i] * (field[up, i] + field[down, i])


@_compiled
def pulse_and_compress(
    real: Array,
    imag: Array,
    noise: Array,
    noise_row: int,
    noise_gain: Array,
    pulse: Array,
    before: int,
    gain_db: float,
    range_db: float,
    gamma: float,
    grey: Array,
) -> None:
    """Convolve along the range, take the envelope, compress to 0..255 grey; `noise` is (2, rows, n_ranges)."""
    n_angles, n_ranges = real.shape
    n_taps = pulse.shape[0]
    line_r = np.zeros(n_ranges + 2 * n_taps, dtype=np.float32)
    line_i = np.zeros(n_ranges + 2 * n_taps, dtype=np.float32)
    out_r = np.empty(n_ranges, dtype=np.float32)
    out_i = np.empty(n_ranges, dtype=np.float32)
    for j in range(n_angles):
        row = (noise_row + j) % noise.shape[1]
        for i in range(n_ranges):
            line_r[n_taps + i] = real[j, i] + noise[0, row, i] * noise_gain[i]
            line_i[n_taps + i] = imag[j, i] + noise[1, row, i] * noise_gain[i]
            out_r[i] = 0.0
            out_i[i] = 0.0
        for t in range(n_taps):
            # An echo from range i appears at i + t - before.
            shift = n_taps - (t - before)
            p = pulse[t]
            for i in range(n_ranges):
                out_r[i] += p * line_r[i + shift]
                out_i[i] += p * line_i[i + shift]
        for i in range(n_ranges):
            power = out_r[i] * out_r[i] + out_i[i] * out_i[i] + np.float32(1e-12)
            level = 1.0 + (10.0 * math.log10(power) + gain_db) / range_db
            level = min(max(level, 0.0), 1.0)
            grey[j, i] = 255.0 * level if gamma == 1.0 else 255.0 * level**gamma
