"""Draw frames: layers, scatterers, beam, echo, display, scan conversion."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from boreline.model import FloatArray, GreyImage
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, STRUT_MM, Borders, VesselPlan, borders
from boreline_phantoms.curves import radii_about
from boreline_phantoms.kernels import paint, pulse_and_compress, scatter, widen
from boreline_phantoms.physics import Beam, Blood, Physics
from boreline_phantoms.records import Scene
from boreline_phantoms.scatterers import Cloud
from boreline_phantoms.smooth import angle_between, bump, wander
from boreline_phantoms.view import (
    DIRECTIONS,
    Place,
    Views,
    angle_error,
    border_points,
    calcium_front,
    project,
    runs_of,
    strut_angles,
)

N_RANGES = 512
BLOCK = 32
WIRE_MM = 0.17
CHUNK = 32
WORKERS = 2
Floats = npt.NDArray[np.float32]
_WHITE_DB = 12.0  # above the adventitia's mean
_GUIDE_MM = 0.9
_FAR = 1e6


@dataclass(frozen=True, slots=True)
class Rays:
    """What the kernel needs to know at each angle about the catheter; all of shape (N_ANGLES,) but `circles`."""

    lumen: FloatArray
    intima: FloatArray
    media: FloatArray
    eem: FloatArray
    pocket: FloatArray
    plaque_db: FloatArray
    plaque_loss: FloatArray
    calcium: FloatArray
    calcium_db: FloatArray
    echo_db: FloatArray
    circles: FloatArray
    levels: FloatArray


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
        self.veins = _veins(plan, random)
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
            points = self._points(number, section, row, rays, place)
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

    # ------------------------------------------------------------------------------------- what the rays meet

    def _rays(self, number: int, section: Borders, row: int, place: Place) -> Rays:
        physics = self.physics
        if place is Place.GUIDE:
            return self._tube(self.views.origin_mm[number], _GUIDE_MM, guide=True)
        if place is Place.AORTA:
            return self._tube(np.array([-7.0, 3.0]), 9.0, guide=False)
        matrix, origin = self.views.matrix[number], self.views.origin_mm[number]

        def about(radii: FloatArray) -> FloatArray:
            return radii_about(project(border_points(radii), matrix, origin), np.zeros(2), ANGLES_RAD)

        lumen, eem = about(section.lumen[row]), about(section.eem[row])
        media = np.maximum(about(section.media[row]), lumen + 0.03)
        eem = np.maximum(eem, media + 0.03)
        middle = project(border_points((section.lumen[row] + section.eem[row]) / 2), matrix, origin)
        own_angle = np.arctan2(middle[:, 1], middle[:, 0])
        order = np.argsort(own_angle)

        def per_ray(values: FloatArray) -> FloatArray:
            return np.interp(ANGLES_RAD, own_angle[order], values[order], period=2 * np.pi)

        soft, dark = per_ray(section.soft[row]), per_ray(section.attenuating[row])
        blood_db = physics.blood_db(self.scene.mhz)
        scale = self.scene.mhz / 40.0
        plaque_db = (1 - soft) * physics.fibrous_db + soft * (blood_db + physics.soft_db)
        loss = scale * (physics.tissue_db_mm + dark * physics.attenuating_db_mm)
        z, vessel_angle = self.views.z_mm[number], per_ray_angle(own_angle, order)
        grain = np.sin(9 * vessel_angle + 4 * z) + np.sin(17 * vessel_angle - 3 * z) + np.sin(5 * vessel_angle + 7 * z)
        flap = section.flap[row]
        intima = np.minimum(lumen + self.plan.intima_mm * (1 + 0.3 * np.sin(3 * vessel_angle + z)), media)
        return Rays(
            lumen,
            intima,
            media,
            eem,
            per_ray(flap) if flap.any() else flap,
            plaque_db,
            loss,
            _fronts(section, row, matrix, origin),
            9.0 + 2.0 * grain,
            -13.0 + 5.0 * np.sin(4 * vessel_angle + 2 * z) + 3.0 * np.roll(grain, 13),
            self._circles(section, row, matrix, origin),
            self._levels(blood_db, physics.intima_db, physics.media_db, physics.outside_db),
        )

    def _levels(self, blood_db: float, intima_db: float, media_db: float, outside_db: float) -> FloatArray:
        scale = self.scene.mhz / 40.0
        tissue = self.physics.tissue_db_mm * scale
        return np.array([blood_db, intima_db, media_db, outside_db, tissue, 220.0, 0.2, self.physics.sheath_mm, 0.8])

    def _tube(self, centre_mm: FloatArray, radius_mm: float, *, guide: bool) -> Rays:
        """A round tube: the guide catheter with its two bright faces, or the far aorta."""
        none, far = np.zeros(N_ANGLES), np.full(N_ANGLES, np.inf)
        lumen = radii_about(centre_mm + radius_mm * DIRECTIONS, np.zeros(2), ANGLES_RAD)
        blood_db = self.physics.blood_db(self.scene.mhz)
        levels = self._levels(blood_db, *((7.0, 3.0, -22.0) if guide else (-4.0, -14.0, -12.0)))
        thick = (0.06, 0.15, 0.21) if guide else (0.2, 1.0, 1.3)
        return Rays(
            lumen,
            lumen + thick[0],
            lumen + thick[1],
            lumen + thick[2],
            none,
            np.full(N_ANGLES, -16.0 if guide else -6.0),
            np.full(N_ANGLES, 60.0 if guide else 2.0),
            far,
            none,
            none,
            np.zeros((0, 4)),
            levels,
        )

    def _circles(self, section: Borders, row: int, matrix: FloatArray, origin: FloatArray) -> FloatArray:
        rows = [(*project(self.veins[:, :2], matrix, origin).T, self.veins[:, 2], np.zeros(len(self.veins)))]
        branch = section.branch[:, row]
        rows.append((*project(branch[:, :2], matrix, origin).T, branch[:, 2], np.full(len(branch), 0.35)))
        return np.concatenate([np.stack(part, axis=-1) for part in rows])

    # ------------------------------------------------------------------------------------ echoes into the field

    def _points(
        self, number: int, section: Borders, row: int, rays: Rays, place: Place
    ) -> list[tuple[float, float, float, FloatArray]]:
        """Strong reflectors: (angle, range, amplitude, shadow in dB by ray) each."""
        found = []
        if self.physics.wire:
            found += _wire(float(self.wire_rad[number]), self.physics.sheath_mm, rays.lumen)
        if place is Place.VESSEL and self.plan.stent is not None and np.isfinite(section.stent[row]).all():
            angles = strut_angles(float(self.views.z_mm[number]), self.plan.stent.struts) % (2 * np.pi)
            radius = np.interp(angles, ANGLES_RAD, section.stent[row], period=2 * np.pi) + STRUT_MM * 0.1
            spots = project(
                radius[:, None] * np.stack([np.cos(angles), np.sin(angles)], -1),
                self.views.matrix[number],
                self.views.origin_mm[number],
            )
            for x, y in spots:
                angle, distance = np.arctan2(y, x) % (2 * np.pi), np.hypot(x, y)
                away = np.abs(angle_between(ANGLES_RAD, angle)) * distance
                found.append((angle, distance, 1.0, 14.0 * np.exp(-0.5 * (away / 0.07) ** 2)))
        return found

    def _fill(
        self,
        number: int,
        rays: Rays,
        points: list[tuple[float, float, float, FloatArray]],
        field: Floats,
        random: np.random.Generator,
    ) -> None:
        shadow_from, shadow_db = np.full(N_ANGLES, _FAR), np.zeros(N_ANGLES)
        for _, distance, _, shadow in points:
            deeper = shadow > np.maximum(shadow_db, 1.0)
            shadow_from = np.where(deeper, distance + 0.04, shadow_from)
            shadow_db = np.where(deeper, shadow, shadow_db)
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
            -drop,
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
        for angle, distance, amplitude, _ in points:
            self._reflect(angle, distance, amplitude, field)

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

    def _reflect(self, angle: float, distance: float, amplitude: float, field: Floats) -> None:
        """A point echo with a few reverberations and side lobes."""
        j = round(angle / (2 * np.pi) * N_ANGLES) % N_ANGLES
        lobe = 10 ** (self.physics.side_lobe_db / 20)
        for order, level in enumerate((1.0, 0.35, 0.16, 0.07)):
            r = distance + 0.13 * order
            i = int(r / self.step_mm)
            if i >= N_RANGES:
                return
            phase = self.beam.wave_number_mm * r
            value = amplitude * level * np.array([np.cos(phase), np.sin(phase)], dtype=np.float32)
            field[:, j, i] += value
            if order == 0:
                wings = (j + np.arange(-40, 41)) % N_ANGLES
                field[:, wings, i] += (value * np.float32(lobe * 0.3))[:, None]


def per_ray_angle(own_angle: FloatArray, order: npt.NDArray[np.int64]) -> FloatArray:
    """Angle about the vessel's axis that each ray meets, unwrapped so that it can be interpolated."""
    unwrapped = own_angle[order]
    vessel = np.unwrap(ANGLES_RAD[order])
    padded_own = np.concatenate([unwrapped - 2 * np.pi, unwrapped, unwrapped + 2 * np.pi])
    padded = np.concatenate([vessel - 2 * np.pi, vessel, vessel + 2 * np.pi])
    met: FloatArray = np.interp(ANGLES_RAD, padded_own, padded)
    return met


def _fronts(section: Borders, row: int, matrix: FloatArray, origin: FloatArray) -> FloatArray:
    """Range of the calcium's front at each ray, infinite where there is none."""
    nearest = calcium_front(section, row)
    fronts = np.full(N_ANGLES, np.inf)
    for run in runs_of(np.isfinite(nearest)):
        seen = project(nearest[run, None] * DIRECTIONS[run], matrix, origin)
        angle, distance = np.unwrap(np.arctan2(seen[:, 1], seen[:, 0])), np.hypot(seen[:, 0], seen[:, 1])
        for turn in (-2 * np.pi, 0.0, 2 * np.pi, 4 * np.pi):
            inside = (ANGLES_RAD + turn >= angle[0]) & (ANGLES_RAD + turn <= angle[-1])
            fronts[inside] = np.minimum(fronts[inside], np.interp(ANGLES_RAD[inside] + turn, angle, distance))
    return fronts


def aim_of_wire(scene: Scene, commanded_mm: FloatArray) -> FloatArray:
    """Where the guidewire would lie in each frame if the lumen had room: an angle that wanders slowly."""
    random = np.random.default_rng((scene.seed, 14))
    aim: FloatArray = random.uniform(0, 2 * np.pi) + wander(random, scale=4.0, sd=0.5)(commanded_mm)
    return aim


def wire_place(wanted_rad: float, sheath_mm: float, lumen: FloatArray) -> tuple[float, float] | None:
    """Angle and range of the guidewire's axis: beside the sheath, where the lumen has room for it."""
    distance = sheath_mm + WIRE_MM + 0.02
    room = lumen >= distance + WIRE_MM
    if not room.any():
        return None
    away = np.where(room, np.abs(angle_between(ANGLES_RAD, wanted_rad)), np.inf)
    best = int(np.argmin(away))
    return (wanted_rad % (2 * np.pi) if away[best] < 0.02 else float(ANGLES_RAD[best])), distance


def wire_half_rad(distance_mm: float) -> float:
    """Half the angle that the wire hides."""
    return float(np.arcsin(WIRE_MM / distance_mm))


def _wire(wanted_rad: float, sheath_mm: float, lumen: FloatArray) -> list[tuple[float, float, float, FloatArray]]:
    place = wire_place(wanted_rad, sheath_mm, lumen)
    if place is None:
        return []
    angle, distance = place
    half = wire_half_rad(distance)
    away = np.abs(angle_between(ANGLES_RAD, angle))
    shadow = 32.0 * np.clip((half - away) / (0.2 * half), 0, 1)
    found = []
    for offset in np.linspace(-0.6, 0.6, 9) * half:
        front = distance * np.cos(offset) - np.sqrt(WIRE_MM**2 - (distance * np.sin(offset)) ** 2)
        strength = 0.35 * np.exp(-0.5 * (offset / (0.35 * half)) ** 2)
        found.append((float(angle + offset) % (2 * np.pi), float(front), strength, shadow))
    return found


def _veins(plan: VesselPlan, random: np.random.Generator) -> FloatArray:
    """Dark round structures outside the vessel: rows of x, y, radius in the vessel's millimetres."""
    angle = random.uniform(0, 2 * np.pi, plan.veins)
    radius = random.uniform(0.3, 0.8, plan.veins)
    distance = plan.eem_mm / 2 * 1.12 + 0.35 + radius + random.uniform(0, 0.4, plan.veins)
    return np.stack([distance * np.cos(angle), distance * np.sin(angle), radius], axis=-1)


def _scan_maps(scene: Scene, step_mm: float) -> tuple[Floats, Floats]:
    """For `cv2.remap`: the range and angle sample of each pixel."""
    picture = scene.picture
    x = (np.arange(picture.columns) - picture.centre_px[0]) * picture.mm_per_px[0]
    y = (np.arange(picture.rows) - picture.centre_px[1]) * picture.mm_per_px[1]
    radius = np.hypot(*np.meshgrid(x, y))
    angle = np.arctan2(*np.meshgrid(x, y)[::-1]) % (2 * np.pi)
    ranges = radius / step_mm - 0.5
    return ranges.astype(np.float32), (angle / (2 * np.pi) * N_ANGLES).astype(np.float32)
