"""Draw frames: layers, scatterers, beam, echo, display, scan conversion."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray, GreyImage
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, Borders, VesselPlan, borders
from boreline_phantoms.kernels import paint, pulse_and_compress, scatter, widen
from boreline_phantoms.physics import Beam, Blood, Physics
from boreline_phantoms.rays import Rays, aorta_rays, guide_rays, veins_of, vessel_rays
from boreline_phantoms.records import Scene
from boreline_phantoms.reflectors import Reflector, aim_of_wire, strut_echoes, strut_points, wire_echoes
from boreline_phantoms.scatterers import Cloud
from boreline_phantoms.smooth import angle_between, bump, wander
from boreline_phantoms.view import Place, Views, angle_error, project

N_RANGES = 512
BLOCK = 32
CHUNK = 32
WORKERS = 2
Floats = npt.NDArray[np.float32]
_WHITE_DB = 12.0  # above the adventitia's mean
_FAR = 1e6


class Painter:
    """Draws any frame of one scene; holds what the frames share."""

    def __init__(
        self, scene: Scene, plan: VesselPlan, physics: Physics, views: Views, commanded_mm: FloatArray
    ) -> None:
        self.scene, self.plan, self.physics, self.views = scene, plan, physics, views
        self.beam = Beam(scene.mhz)
        self.reach_mm = scene.picture.field_mm / 2
        self.step_mm = self.reach_mm / N_RANGES
        random = np.random.default_rng((scene.seed, 13))
        self.gain_db = physics.gain_db + wander(random, scale=8.0, sd=physics.gain_drift_db)(commanded_mm)
        self.wire_rad = aim_of_wire(scene, commanded_mm)
        self.drop_rad = random.uniform(0, 2 * np.pi) + wander(random, scale=3.0, sd=0.4)(commanded_mm)
        self.flow_mm = scene.times_s() * 2.5  # slow blood: a few tenths of a millimetre per frame and less
        cell_mm2 = self.beam.axial_mm * float(self.beam.lateral_mm(np.array(2.0)))
        per_mm2 = self.beam.scatterers_per_cell / cell_mm2
        box = scene.picture.field_mm + 0.5
        self.tissue = Cloud(scene.seed, 21, box, self.beam.elevation_mm, per_mm2, physics.variation_db)
        self.blood = Cloud(scene.seed, 22, box, self.beam.elevation_mm, per_mm2)
        self.veins = veins_of(plan, random)
        self._taps, self._widths = self._lateral()
        pulse, self._before = self.beam.pulse(self.step_mm)
        self._pulse = (pulse / np.sqrt(np.sum(pulse**2) * self.step_mm)).astype(np.float32)
        ranges: FloatArray = (np.arange(N_RANGES, dtype=np.float64) + 0.5) * self.step_mm
        noise_db = physics.noise_db + physics.gain_slope_db_mm * ranges
        self._noise_gain = (10 ** (noise_db / 20) * np.sqrt(self.step_mm)).astype(np.float32)
        self._noise = random.standard_normal((2, 2 * N_ANGLES + 31, N_RANGES), dtype=np.float32) * np.float32(0.7071)
        self._ring = self._ring_down(random, ranges)
        self._maps = _scan_maps(scene, self.step_mm)

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

    def draw(self, start: int, stop: int) -> Iterator[GreyImage]:
        """Frames [start, stop), one after the other; a few are drawn at a time."""
        with ThreadPoolExecutor(WORKERS) as pool:
            waiting: deque[Future[GreyImage]] = deque()
            for first in range(start, stop, CHUNK):
                last = min(stop, first + CHUNK)
                section = borders(self.plan, self.views.z_mm[first:last], self.views.span_mm, self.scene.seed)
                for number in range(first, last):
                    waiting.append(pool.submit(self.frame, number, section, number - first))
                    if len(waiting) > 2 * WORKERS:
                        yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

    def frame(self, number: int, section: Borders, row: int) -> GreyImage:
        """One frame; `row` is its place in `section`."""
        place = Place(self.views.place[number])
        random = self.scene.random(31, number)
        field = np.zeros((2, N_ANGLES, N_RANGES), dtype=np.float32)
        gain = self.gain_db[number] - _WHITE_DB
        if place is Place.NOWHERE:
            gain -= 12.0
        else:
            rays = self._rays(number, section, row, place)
            points = self._reflectors(number, section, row, rays, place)
            self._fill(number, rays, points, field, random)
        wide = np.empty_like(field)
        for part in range(2):
            widen(field[part], self._taps, self._widths, BLOCK, wide[part])
        if place is not Place.NOWHERE:
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
            gain,
            self.physics.range_db,
            self.physics.gamma,
            grey,
        )
        return self._on_screen(grey, self.views.warp[number])

    def _on_screen(self, grey: Floats, warp: FloatArray) -> GreyImage:
        if warp.any():
            wanted = (ANGLES_RAD + angle_error(ANGLES_RAD, warp)) / (2 * np.pi) * N_ANGLES
            low = np.floor(wanted).astype(np.int64)
            share = (wanted - low).astype(np.float32)[:, None]
            grey = grey[low % N_ANGLES] * (1 - share) + grey[(low + 1) % N_ANGLES] * share
        closed = np.concatenate([grey, grey[:1]])
        shown = cv2.remap(closed, *self._maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        picture: GreyImage = np.rint(shown).astype(np.uint8)
        return picture

    # ------------------------------------------------------------------------------------ echoes into the field

    def _rays(self, number: int, section: Borders, row: int, place: Place) -> Rays:
        views, mhz = self.views, self.scene.mhz
        if place is Place.GUIDE:
            return guide_rays(self.physics, mhz, views.origin_mm[number])
        if place is Place.AORTA:
            return aorta_rays(self.physics, mhz)
        z_mm = float(views.z_mm[number])
        pose = views.matrix[number], views.origin_mm[number]
        return vessel_rays(self.plan, self.physics, mhz, section, row, z_mm, *pose, self.veins)

    def _reflectors(self, number: int, section: Borders, row: int, rays: Rays, place: Place) -> list[Reflector]:
        found = []
        if self.physics.wire:
            found += wire_echoes(float(self.wire_rad[number]), self.physics.sheath_mm, rays.lumen)
        stent = self.plan.stent
        if place is Place.VESSEL and stent is not None and np.isfinite(section.stent[row]).all():
            spots = strut_points(float(self.views.z_mm[number]), stent.struts, section.stent[row])
            found += strut_echoes(project(spots, self.views.matrix[number], self.views.origin_mm[number]))
        return found

    def _fill(
        self,
        number: int,
        rays: Rays,
        points: list[Reflector],
        field: Floats,
        random: np.random.Generator,
    ) -> None:
        shadow_from, shadow_db = np.full(N_ANGLES, _FAR), np.zeros(N_ANGLES)
        for point in points:
            deeper = point.shadow_db > np.maximum(shadow_db, 1.0)
            shadow_from = np.where(deeper, point.range_mm + 0.04, shadow_from)
            shadow_db = np.where(deeper, point.shadow_db, shadow_db)
        drop = self.physics.dropout_db * bump(angle_between(ANGLES_RAD, self.drop_rad[number]), 0.0, np.deg2rad(80))
        blood_map = np.empty((N_ANGLES, N_RANGES), dtype=np.float32)
        tissue_map = np.empty_like(blood_map)
        paint(
            rays.lumen,
            rays.intima,
            rays.media,
            rays.eem,
            rays.pocket,
            rays.plaque_db,
            rays.plaque_loss,
            rays.calcium,
            rays.calcium_db,
            rays.echo_db,
            shadow_from,
            shadow_db,
            drop,
            rays.circles,
            rays.levels,
            self.step_mm,
            blood_map,
            tissue_map,
        )
        matrix, origin = self.views.matrix[number], self.views.origin_mm[number]
        least = float(min(rays.lumen.min(), self.reach_mm))
        for slab, strength in self.tissue.near(float(self.views.z_mm[number])):
            self._scatter(slab.x, slab.y, strength, matrix, origin, tissue_map, least, field)
        drift = np.zeros(2)
        if self.physics.blood is Blood.INDEPENDENT:
            x, y, strength = self._fresh_blood(rays, origin, random)
            self._scatter(x, y, strength, matrix, origin, blood_map, 0.0, field)
        else:
            z = float(self.views.z_mm[number])
            if self.physics.blood is Blood.MOVING:
                z, drift = z - float(self.flow_mm[number]), self.flow_mm[number] * np.array([0.3, 0.2])
            for slab, strength in self.blood.near(z):
                self._scatter(slab.x, slab.y, strength, matrix, origin - drift, blood_map, 0.0, field)
        for point in points:
            self._reflect(point, field)

    def _fresh_blood(
        self, rays: Rays, origin: FloatArray, random: np.random.Generator
    ) -> tuple[Floats, Floats, Floats]:
        """Scatterers about the catheter, new in every frame, no farther than blood reaches."""
        reach = self.reach_mm
        if not len(rays.circles):
            reach = float(min(reach, 1.1 * rays.lumen.max() + np.max(rays.pocket) + 0.2))
        count = round(self.blood.per_mm2 * (2 * reach) ** 2)
        place = (random.random((2, count), dtype=np.float32) - np.float32(0.5)) * np.float32(2 * reach)
        strength = np.full(count, 1 / np.sqrt(self.blood.per_mm2), dtype=np.float32)
        return place[0] + np.float32(origin[0]), place[1] + np.float32(origin[1]), strength

    def _scatter(
        self,
        x: Floats,
        y: Floats,
        strength: Floats,
        matrix: FloatArray,
        origin: FloatArray,
        amplitude: Floats,
        least: float,
        field: Floats,
    ) -> None:
        scatter(
            x,
            y,
            strength,
            matrix,
            float(origin[0]),
            float(origin[1]),
            self.tissue.box_mm,
            amplitude,
            least,
            self.step_mm,
            self.beam.wave_number_mm,
            field[0],
            field[1],
        )

    def _reflect(self, point: Reflector, field: Floats) -> None:
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


def _scan_maps(scene: Scene, step_mm: float) -> tuple[Floats, Floats]:
    """For `cv2.remap`: the range and angle sample of each pixel."""
    picture = scene.picture
    x = (np.arange(picture.columns) - picture.centre_px[0]) * picture.mm_per_px[0]
    y = (np.arange(picture.rows) - picture.centre_px[1]) * picture.mm_per_px[1]
    radius = np.hypot(*np.meshgrid(x, y))
    angle = np.arctan2(*np.meshgrid(x, y)[::-1]) % (2 * np.pi)
    ranges = radius / step_mm - 0.5
    return ranges.astype(np.float32), (angle / (2 * np.pi) * N_ANGLES).astype(np.float32)
