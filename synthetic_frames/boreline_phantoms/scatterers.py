"""Point scatterers fixed in the vessel (or drifting with the blood), made slab by slab from the seed."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from threading import Lock

import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray

Floats = npt.NDArray[np.float32]
SLABS_EACH_WAY = 2


@dataclass(frozen=True, slots=True)
class Slab:
    """Scatterers between two z; `g` is their strength, of mean square 1 when nothing varies."""

    x: Floats
    y: Floats
    z: Floats
    g: Floats


@dataclass(slots=True)
class Cloud:
    """Scatterers in a box that repeats in x and y and goes on without end in z.

    Attributes
    ----------
    seed, stream
        What the scatterers depend on.
    box_mm, length_mm
        Side of the box; correlation length along z, which is also a slab's thickness.
    per_mm2
        Scatterers per mm2 that count in one frame.
    variation_db
        Standard deviation of the tissue's brightness from place to place, over several sizes.
    """

    seed: int
    stream: int
    box_mm: float
    length_mm: float
    per_mm2: float
    variation_db: float = 0.0
    _kept: OrderedDict[int, Slab] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)
    _waves: FloatArray | None = None

    def near(self, z_mm: float) -> list[tuple[Slab, Floats]]:
        """Slabs that count at `z_mm`, with each scatterer's strength there."""
        middle = int(np.floor(z_mm / self.length_mm))
        found = []
        for number in range(middle - SLABS_EACH_WAY, middle + SLABS_EACH_WAY + 1):
            slab = self._slab(number)
            away = (slab.z - np.float32(z_mm)) / np.float32(self.length_mm)
            found.append((slab, slab.g * np.exp(np.float32(-0.5) * away * away)))
        return found

    def _slab(self, number: int) -> Slab:
        with self._lock:
            if number in self._kept:
                self._kept.move_to_end(number)
                return self._kept[number]
        slab = self._make(number)
        with self._lock:
            self._kept[number] = slab
            while len(self._kept) > 4 * (2 * SLABS_EACH_WAY + 1):
                self._kept.popitem(last=False)
        return slab

    def _make(self, number: int) -> Slab:
        random = np.random.default_rng((self.seed, self.stream, number + (1 << 31)))
        # The weights exp(-z^2 / 2 l^2) have the power of sqrt(pi) slabs.
        count = round(self.per_mm2 * self.box_mm**2 / np.sqrt(np.pi))
        place = random.random((3, count), dtype=np.float32)
        x, y = place[0] * np.float32(self.box_mm), place[1] * np.float32(self.box_mm)
        z = (place[2] + np.float32(number)) * np.float32(self.length_mm)
        g = np.full(count, 1 / np.sqrt(self.per_mm2), dtype=np.float32)
        if self.variation_db > 0:
            g *= np.exp(self._texture(x, y, z) * np.float32(self.variation_db * np.log(10) / 20))
            # A few strong ones, like fibres and small grains.
            g[random.random(count) < 0.004] *= 4
        return Slab(x, y, z, g.astype(np.float32))

    def _texture(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Unit-variance texture at several sizes: waves that repeat with the box."""
        if self._waves is None:
            random = np.random.default_rng((self.seed, self.stream, 1))
            waves = []
            for size_mm, terms in ((3.5, 5), (1.4, 5), (0.5, 5)):
                turns = self.box_mm / size_mm
                direction = random.uniform(0, 2 * np.pi, terms)
                kx, ky = np.rint(turns * np.cos(direction)), np.rint(turns * np.sin(direction))
                kz = random.normal(0, 0.5, terms) / size_mm * 2 * np.pi
                phase = random.uniform(0, 2 * np.pi, terms)
                unit = 2 * np.pi / self.box_mm
                waves.append(np.stack([kx * unit, ky * unit, kz, phase], axis=-1))
            self._waves = np.concatenate(waves)
        total = np.zeros_like(x)
        for kx, ky, kz, phase in self._waves.astype(np.float32):
            total += np.cos(kx * x + ky * y + kz * z + phase)
        scaled: Floats = total * np.float32(np.sqrt(2 / len(self._waves)))
        return scaled
