"""The scanner: scatterers and points to a polar field, the field to echoes on a grey scale."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES
from boreline_phantoms.kernels import pulse_and_compress, scatter, widen
from boreline_phantoms.physics import Beam, Physics
from boreline_phantoms.reflectors import Reflector
from boreline_phantoms.scatterers import Cloud

N_RANGES = 512
BLOCK = 32
WHITE_DB = 12.0
"""White, above the adventitia's mean, at a gain of 0 dB."""
Floats = npt.NDArray[np.float32]


class Scanner:
    """A transducer and its display; the field is (2, N_ANGLES, N_RANGES): real and imaginary part by angle and range.

    Mean power is normalised: scatterers of amplitude 1 give an echo of mean power 1, at any range.
    """

    def __init__(self, mhz: float, reach_mm: float, physics: Physics, seed: int) -> None:
        self.physics, self.seed, self.reach_mm = physics, seed, reach_mm
        self.beam = Beam(mhz)
        self.step_mm = reach_mm / N_RANGES
        random = np.random.default_rng((seed, 15))
        self._taps, self._widths = self._lateral()
        pulse, self._before = self.beam.pulse(self.step_mm)
        self._pulse = (pulse / np.sqrt(np.sum(pulse**2) * self.step_mm)).astype(np.float32)
        ranges: FloatArray = (np.arange(N_RANGES, dtype=np.float64) + 0.5) * self.step_mm
        noise_db = physics.noise_db + physics.gain_slope_db_mm * ranges
        self._noise_gain = (10 ** (noise_db / 20) * np.sqrt(self.step_mm)).astype(np.float32)
        self._noise = random.standard_normal((2, 2 * N_ANGLES + 31, N_RANGES), dtype=np.float32) * np.float32(0.7071)
        self._ring = self._ring_down(random, ranges)

    def cloud(self, stream: int, variation_db: float = 0.0) -> Cloud:
        """Scatterers as dense as fully developed speckle needs."""
        per_mm2 = self.beam.scatterers_per_cell / self.beam.cell_mm2
        return Cloud(self.seed, stream, 2 * self.reach_mm + 0.5, self.beam.elevation_mm, per_mm2, variation_db)

    @staticmethod
    def field() -> Floats:
        """An empty field."""
        return np.zeros((2, N_ANGLES, N_RANGES), dtype=np.float32)

    def scatter(
        self,
        field: Floats,
        x_mm: Floats,
        y_mm: Floats,
        strength: Floats,
        amplitude: Floats,
        *,
        matrix: FloatArray,
        origin_mm: FloatArray,
        box_mm: float,
        least_mm: float = 0.0,
    ) -> None:
        """Add scatterers of the vessel's plane; `amplitude` (N_ANGLES, N_RANGES) is the tissue's, 0 = none."""
        # Those far off the plane: a fifth of the work, a few thousandths of the power.
        faintest = 0.1 * float(np.sqrt(self.beam.cell_mm2 / self.beam.scatterers_per_cell))
        x0, y0 = float(origin_mm[0]), float(origin_mm[1])
        k, step = self.beam.wave_number_mm, self.step_mm
        scatter(
            x_mm, y_mm, strength, matrix, x0, y0, box_mm, amplitude, least_mm, step, k, field[0], field[1], faintest
        )

    def reflect(self, field: Floats, point: Reflector) -> None:
        """A point echo with a few reverberations and side lobes."""
        j = round(point.angle_rad / (2 * np.pi) * N_ANGLES) % N_ANGLES
        lobe = 10 ** (self.physics.side_lobe_db / 20)
        for order, level in enumerate((1.0, 0.35, 0.16, 0.07)):
            r = point.range_mm + 0.13 * order
            i = int(r / self.step_mm)
            if i >= N_RANGES:
                return
            phase = self.beam.wave_number_mm * r
            value = point.amplitude * level * np.array([np.cos(phase), np.sin(phase)], dtype=np.float32)
            field[:, j, i] += value
            if order == 0:
                wings = (j + np.arange(-40, 41)) % N_ANGLES
                field[:, wings, i] += (value * np.float32(lobe * 0.3))[:, None]

    def image(self, field: Floats, gain_db: float, random: np.random.Generator, *, ring: bool = True) -> Floats:
        """Grey levels 0..255, float32 of shape (N_ANGLES, N_RANGES)."""
        wide = np.empty_like(field)
        for part in range(2):
            widen(field[part], self._taps, self._widths, BLOCK, wide[part])
        if ring:
            wide += self._ring * np.float32(1 + 0.03 * random.standard_normal())
        grey = np.empty((N_ANGLES, N_RANGES), dtype=np.float32)
        pulse_and_compress(
            wide[0],
            wide[1],
            self._noise,
            int(random.integers(self._noise.shape[1])),
            self._noise_gain,
            self._pulse,
            self._before,
            gain_db - WHITE_DB,
            self.physics.range_db,
            self.physics.gamma,
            grey,
        )
        return grey

    def _lateral(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        ranges = np.maximum((np.arange(N_RANGES) + 0.5) * self.step_mm, 0.25)
        sigma_rad = self.beam.lateral_mm(ranges) / 2.355 / ranges
        step_rad = 2 * np.pi / N_ANGLES
        half = min(N_ANGLES // 4, int(np.ceil(2.6 * sigma_rad.max() / step_rad)))
        offset = np.arange(half + 1)[:, None] * step_rad
        taps = np.exp(-0.5 * (offset / sigma_rad) ** 2)
        energy = (taps[0] ** 2 + 2 * np.sum(taps[1:] ** 2, axis=0)) * step_rad * ranges
        widths = [
            min(half + 1, int(np.ceil(2.6 * sigma_rad[start] / step_rad)) + 1) for start in range(0, N_RANGES, BLOCK)
        ]
        return (taps / np.sqrt(energy)).astype(np.float32), np.array(widths, dtype=np.int64)

    def _ring_down(self, random: np.random.Generator, ranges: FloatArray) -> Floats:
        physics = self.physics
        depth = ranges - physics.sheath_mm
        level = np.where(depth < -0.03, -200.0, physics.ring_db - 20 * np.abs(depth) / physics.ring_mm)
        swing = 1 + 0.25 * np.cos(ANGLES_RAD + random.uniform(0, 6)) + 0.1 * np.cos(3 * ANGLES_RAD)
        spin = random.uniform(0, 2 * np.pi, N_RANGES)
        ring = 10 ** (level / 20) * np.exp(1j * spin) * swing[:, None] * np.sqrt(self.step_mm)
        return np.stack([ring.real, ring.imag]).astype(np.float32)
