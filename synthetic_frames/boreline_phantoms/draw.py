"""Draw frames: layers, scatterers, beam, echo, display, scan conversion."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial

import cv2
import numpy as np

from boreline.model import FloatArray, GreyImage
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, Borders, VesselPlan, borders
from boreline_phantoms.kernels import paint
from boreline_phantoms.physics import Blood, Physics
from boreline_phantoms.rays import Rays, aorta_rays, guide_rays, surroundings, vessel_rays
from boreline_phantoms.records import Scene
from boreline_phantoms.reflectors import Reflector, aim_of_wire, strut_echoes, strut_points, wire_echoes
from boreline_phantoms.scanner import N_RANGES, Floats, Scanner
from boreline_phantoms.smooth import angle_between, bump, wander
from boreline_phantoms.view import Place, Views, angle_error, project

CHUNK = 32
WORKERS = 2
_FAR = 1e6
_FLOW_MM_S = 2.5
_DRIFT = np.array([0.3, 0.2])  # of slow blood across the vessel, per mm along it


class Painter:
    """Draws any frame of one scene; holds what the frames share."""

    def __init__(
        self, scene: Scene, plan: VesselPlan, physics: Physics, views: Views, commanded_mm: FloatArray
    ) -> None:
        self.scene, self.plan, self.physics, self.views = scene, plan, physics, views
        self.scanner = Scanner(scene.mhz, scene.picture.field_mm / 2, physics, scene.seed)
        random = np.random.default_rng((scene.seed, 13))
        self.gain_db = physics.gain_db + wander(random, scale=8.0, sd=physics.gain_drift_db)(commanded_mm)
        self.wire_rad = aim_of_wire(scene, commanded_mm)
        self.drop_rad = random.uniform(0, 2 * np.pi) + wander(random, scale=3.0, sd=0.4)(commanded_mm)
        self.flow_mm = scene.times_s() * _FLOW_MM_S
        self.tissue = self.scanner.cloud(21, physics.variation_db)
        self.blood = self.scanner.cloud(22)
        self.around = surroundings(plan, random)
        self._maps = _scan_maps(scene, self.scanner.step_mm)

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
        field = self.scanner.field()
        gain = float(self.gain_db[number])
        if place is Place.NOWHERE:
            gain -= 12.0
        else:
            rays = self._rays(number, section, row, place)
            points = self._reflectors(number, section, row, rays, place)
            self._fill(number, rays, points, field, random)
        grey = self.scanner.image(field, gain, random, ring=place is not Place.NOWHERE)
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
        return vessel_rays(self.plan, self.physics, mhz, section, row, z_mm, *pose, self.around)

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
            self.scanner.step_mm,
            blood_map,
            tissue_map,
        )
        origin = self.views.origin_mm[number]
        least = float(min(rays.lumen.min(), self.scanner.reach_mm))
        add = partial(self.scanner.scatter, field, matrix=self.views.matrix[number], box_mm=self.tissue.box_mm)
        z_mm = float(self.views.z_mm[number])
        for slab, strength in self.tissue.near(z_mm):
            add(slab.x, slab.y, strength, tissue_map, origin_mm=origin, least_mm=least)
        if self.physics.blood is Blood.INDEPENDENT:
            add(*self._fresh_blood(rays, origin, random), blood_map, origin_mm=origin)
        else:
            flow_mm = float(self.flow_mm[number]) if self.physics.blood is Blood.MOVING else 0.0
            for slab, strength in self.blood.near(z_mm - flow_mm):
                add(slab.x, slab.y, strength, blood_map, origin_mm=origin - flow_mm * _DRIFT)
        for point in points:
            self.scanner.reflect(field, point)

    def _fresh_blood(
        self, rays: Rays, origin: FloatArray, random: np.random.Generator
    ) -> tuple[Floats, Floats, Floats]:
        """Scatterers about the catheter, new in every frame, no farther than blood reaches."""
        reach = self.scanner.reach_mm
        if not len(rays.circles):
            reach = float(min(reach, 1.1 * rays.lumen.max() + np.max(rays.pocket) + 0.2))
        count = round(self.blood.per_mm2 * (2 * reach) ** 2)
        place = (random.random((2, count), dtype=np.float32) - np.float32(0.5)) * np.float32(2 * reach)
        strength = np.full(count, 1 / np.sqrt(self.blood.per_mm2), dtype=np.float32)
        return place[0] + np.float32(origin[0]), place[1] + np.float32(origin[1]), strength


def _scan_maps(scene: Scene, step_mm: float) -> tuple[Floats, Floats]:
    """For `cv2.remap`: the range and angle sample of each pixel."""
    picture = scene.picture
    x = (np.arange(picture.columns) - picture.centre_px[0]) * picture.mm_per_px[0]
    y = (np.arange(picture.rows) - picture.centre_px[1]) * picture.mm_per_px[1]
    radius = np.hypot(*np.meshgrid(x, y))
    angle = np.arctan2(*np.meshgrid(x, y)[::-1]) % (2 * np.pi)
    ranges = radius / step_mm - 0.5
    return ranges.astype(np.float32), (angle / (2 * np.pi) * N_ANGLES).astype(np.float32)
