"""Drawing X-ray frames: what lies in the beam adds attenuation, quanta arrive at random, the logarithm is shown."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.special import expit

from boreline.model import FloatArray, GreyImage
from boreline_phantoms.xray import Film, XrayScene

Canvas = npt.NDArray[np.float32]
_SUBPIXEL_BITS = 4
_IODINE_PER_MM = 0.22
_BLUR_PX = 0.75
_GUIDE_WALL = 0.33  # attenuation along the diameter, were the guide solid
_BORE = 0.85  # of the outer diameter: 5 to 8 French guides have 0.82 to 0.90, from memory
_EMPTY_BORE = 0.07


def fluoro_frames(scene: XrayScene, start: int = 0, stop: int | None = None) -> Iterator[GreyImage]:
    """Draw fluoroscopy frames [start, stop), uint8 of shape (size, size)."""
    film = scene.fluoro
    seen = scene.visible()
    backdrop = _Backdrop(scene, film)
    for number in range(start, film.n_frames if stop is None else stop):
        time_s = float(film.times_s[number])
        beam = backdrop.at(time_s)
        _draw_guide(beam, scene, film, time_s, filled=0.0)
        _draw_wire(beam, scene, time_s)
        along = float(scene.along_mm(np.array([time_s]))[0])
        shaft = scene.catheter_px(np.arange(-11.0, along, 1.0), time_s)
        _stroke(beam, shaft, 3, 0.05)
        if seen[number]:
            ends = np.array([-0.5, 0.5]) * scene.marker_mm[0] + along
            a, b = scene.catheter_px(ends, time_s)
            _rod(beam, a, b, scene.marker_mm[1] / film.view.mm_per_px, scene.marker_density)
        yield _exposed(beam, film.photons, (scene.seed, 21, number))


def cine_frames(scene: XrayScene, film: Film, start: int = 0, stop: int | None = None) -> Iterator[GreyImage]:
    """Draw cine frames [start, stop) of one view, uint8 of shape (size, size)."""
    backdrop = _Backdrop(scene, film)
    for number in range(start, film.n_frames if stop is None else stop):
        time_s = float(film.times_s[number])
        beam = backdrop.at(time_s)
        since_s = number / film.rate_hz - (film.contrast_s or 0.0)
        _draw_guide(beam, scene, film, time_s, filled=float(np.clip((since_s + 0.2) / 0.2, 0, 1)))
        for along, points, radius in _tree(scene, film, time_s):
            _tube(
                beam,
                points,
                radius / film.view.mm_per_px,
                _IODINE_PER_MM * film.view.mm_per_px * _filling(scene, film, along, since_s),
            )
        yield _exposed(beam, film.photons, (scene.seed, 22, round(film.view.primary_deg) + 360, number))


def filling(scene: XrayScene, film: Film, along_mm: FloatArray, frame: int) -> FloatArray:
    """Share of contrast, 0..1, at places along the vessel in one cine frame."""
    return _filling(scene, film, along_mm, frame / film.rate_hz - (film.contrast_s or 0.0))


def _filling(scene: XrayScene, film: Film, along_mm: FloatArray, since_s: float) -> FloatArray:
    arrived_s = since_s - along_mm / film.fill_mm_s
    rise = expit((arrived_s - 0.15) / 0.06)
    wash = expit((2.4 - arrived_s) / 0.25)
    reached = expit((film.fill_to * scene.vessel.length_mm - along_mm) / 1.5)
    share: FloatArray = rise * wash * reached
    return share


def _tree(scene: XrayScene, film: Film, time_s: float) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    vessel = scene.vessel
    along = np.arange(-0.5, vessel.length_mm, 0.2)
    yield along, scene.curve_px(along, time_s, film), vessel.radius_mm(along)
    for number, (mouth, length, _) in enumerate(vessel.branches):
        rest = vessel.branch_points_mm(number)
        run = mouth + np.linspace(0, length, len(rest))
        moved = scene.body.moved(rest, run / vessel.length_mm, time_s) - film.shift_mm * np.array([0.0, 0.0, 1.0])
        yield run, film.view.project(moved), np.linspace(vessel.branch_radius_mm(number), 0.4, len(rest))


class _Backdrop:
    """Chest wall, ribs, spine, soft shadows, clips and the diaphragm of one film."""

    def __init__(self, scene: XrayScene, film: Film) -> None:
        self._scene, self._film = scene, film
        rng = np.random.default_rng((scene.seed, 31))
        size = film.view.size_px
        y, x = np.mgrid[0:size, 0:size].astype(np.float32)
        self._x = x
        self._y = y
        coarse = rng.standard_normal((8, 8)).astype(np.float32)
        still = 0.25 + 0.12 * cv2.resize(coarse, (size, size), interpolation=cv2.INTER_CUBIC)
        for k in range(5):  # ribs
            middle = size * (0.02 + 0.24 * k) + 40 * rng.uniform(-1, 1)
            off = y - (middle + 0.25 * x + 0.0004 * (x - size / 2) ** 2)
            still = still + 0.10 * expit((0.032 * size - np.abs(off)) / 1.5)
        spine = (x - size * rng.uniform(0.75, 0.95)) / (0.13 * size)
        still = still + 0.2 * np.exp(-(spine**4))
        fine = rng.standard_normal((size // 6, size // 6)).astype(np.float32)
        self._still: Canvas = (still + 0.012 * cv2.resize(fine, (size, size), interpolation=cv2.INTER_CUBIC)).astype(
            np.float32
        )
        near = scene.vessel.length_mm * rng.uniform(0.1, 0.7, scene.clips)
        self._clips = [
            (float(s), rng.uniform(-14, 14, 3), rng.uniform(0.35, 0.8), bool(k % 2)) for k, s in enumerate(near)
        ]

    def at(self, time_s: float) -> Canvas:
        """Attenuation at one time, a fresh canvas."""
        scene, film = self._scene, self._film
        size = film.view.size_px
        breath = scene.body.breath_mm * np.sin(np.pi * time_s / scene.body.breath_s) ** 4
        edge = 0.9 * size - (breath + film.shift_mm) / film.view.mm_per_px * -0.9
        dome = self._y - (edge + 0.0006 * (self._x - 0.3 * size) ** 2)
        beam = self._still + 0.35 * expit(dome / 2.5)
        for along, beside, density, on_heart in self._clips:
            when = time_s if on_heart else 0.0
            place = scene.vessel.points_mm(np.array([along])) + beside
            if on_heart:
                place = scene.body.moved(place, np.array([along / scene.vessel.length_mm]), when)
            x, y = film.view.project(place)[0]
            _rod(beam, np.array([x - 2, y - 1.5]), np.array([x + 2, y + 1.5]), 3.0, density)
        canvas: Canvas = beam.astype(np.float32)
        return canvas


def _draw_guide(beam: Canvas, scene: XrayScene, film: Film, time_s: float, filled: float) -> None:
    inside = scene.curve_px(np.arange(-11.9, 0.01, 0.4), time_s, film)
    # Farther back the guide runs to the edge of the picture, into the aorta.
    back = inside[0] - inside[4]
    back = back / max(float(np.linalg.norm(back)), 1e-6)
    away = inside[0] + np.linspace(40, 1, 40)[:, None] ** 1.5 * (back + np.array([0.0, -0.8])) * 0.8
    line = np.vstack([away, inside])
    outer = scene.guide_french / 3 / film.view.mm_per_px
    _draw_cylinder(beam, line, outer, _GUIDE_WALL)
    _draw_cylinder(beam, line, _BORE * outer, -_BORE * _GUIDE_WALL + _EMPTY_BORE + 0.25 * filled)
    _rod(beam, inside[-3], inside[-1], outer, 0.12)


def _draw_wire(beam: Canvas, scene: XrayScene, time_s: float) -> None:
    end = min(scene.hand.start_mm + 35.0, scene.vessel.length_mm - 2)
    _stroke(beam, scene.catheter_px(np.arange(-11.5, end - 30, 0.5), time_s), 1, 0.16)
    _stroke(beam, scene.catheter_px(np.arange(end - 30, end, 0.5), time_s), 1, 0.40)


def _stroke(beam: Canvas, line_px: FloatArray, thickness_px: int, attenuation: float) -> None:
    mask = np.zeros(beam.shape, np.uint8)
    points = np.round(line_px * (1 << _SUBPIXEL_BITS)).astype(np.int32)
    cv2.polylines(mask, [points], False, 255, max(1, thickness_px), cv2.LINE_AA, _SUBPIXEL_BITS)
    x, y, w, h = cv2.boundingRect(np.clip(line_px, 0, np.array(beam.shape[::-1]) - 1).astype(np.int32))
    rows = slice(max(0, y - thickness_px - 2), y + h + thickness_px + 2)
    columns = slice(max(0, x - thickness_px - 2), x + w + thickness_px + 2)
    beam[rows, columns] += mask[rows, columns] * np.float32(attenuation / 255)


def _draw_cylinder(beam: Canvas, line_px: FloatArray, width_px: float, attenuation: float) -> None:
    """A long cylinder of exact width: the beam's path through it falls off as a circle's chord."""
    dense = np.linspace(0, len(line_px) - 1, 4 * len(line_px))
    line = np.column_stack([np.interp(dense, np.arange(len(line_px)), line_px[:, c]) for c in range(2)])
    mask = np.zeros(beam.shape, np.uint8)
    cv2.polylines(mask, [np.rint(line).astype(np.int32)], False, 255, int(width_px) + 4, cv2.LINE_8)
    rows, columns = np.nonzero(mask)
    if not rows.size:
        return
    pixels = np.column_stack([columns, rows])
    distance, nearest = cKDTree(line).query(pixels)
    end = line[-1] - line[-5]
    past = (pixels - line[-1]) @ end / np.linalg.norm(end)
    # The mean chord over the pixel, by parts of it.
    parts = distance[:, None] + (np.arange(8) + 0.5) / 8 - 0.5
    chord = np.sqrt(np.clip(1 - (2 * parts / width_px) ** 2, 0, None)).mean(axis=1)
    chord[nearest == len(line) - 1] *= np.clip(0.5 - past, 0, 1)[nearest == len(line) - 1]  # cut square, not round
    beam[rows, columns] += (attenuation * chord).astype(np.float32)


def _rod(beam: Canvas, a_px: FloatArray, b_px: FloatArray, thickness_px: float, attenuation: float) -> None:
    """A short cylinder, exact to a fraction of a pixel: thickness falls off as a circle's chord."""
    low = np.floor(np.minimum(a_px, b_px) - thickness_px - 2).astype(int)
    high = np.ceil(np.maximum(a_px, b_px) + thickness_px + 3).astype(int)
    x0, y0 = np.maximum(low, 0)
    x1, y1 = np.minimum(high, np.array(beam.shape[::-1]))
    if x0 >= x1 or y0 >= y1:
        return
    fine = 4
    xs = x0 + (np.arange((x1 - x0) * fine) + 0.5) / fine - 0.5
    ys = y0 + (np.arange((y1 - y0) * fine) + 0.5) / fine - 0.5
    p = np.stack(np.meshgrid(xs, ys), axis=-1) - a_px
    axis = b_px - a_px
    length = max(float(np.hypot(*axis)), 1e-6)
    forward = p @ (axis / length)
    across = np.abs(p[..., 0] * axis[1] - p[..., 1] * axis[0]) / length
    inside = (forward >= 0) & (forward <= length)
    chord = np.sqrt(np.clip(1 - (2 * across / thickness_px) ** 2, 0, None)) * inside
    small = chord.reshape(y1 - y0, fine, x1 - x0, fine).mean(axis=(1, 3))
    beam[y0:y1, x0:x1] += (attenuation * small).astype(np.float32)


def _tube(beam: Canvas, line_px: FloatArray, radius_px: FloatArray, per_px: FloatArray) -> None:
    """A contrast-filled tube: attenuation follows the path length through the nearest cross-section."""
    shown = per_px > 1e-4 * per_px.max(initial=1e-9)
    if not shown.any() or float(per_px.max()) < 1e-4:
        return
    mask = np.zeros(beam.shape, np.uint8)
    points = np.round(line_px[shown] * (1 << _SUBPIXEL_BITS)).astype(np.int32)
    width = int(np.ceil(2 * float(radius_px[shown].max()))) + 3
    cv2.polylines(mask, [points], False, 255, width, cv2.LINE_8, _SUBPIXEL_BITS)
    rows, columns = np.nonzero(mask)
    if not rows.size:
        return
    distance, nearest = cKDTree(line_px).query(np.column_stack([columns, rows]))
    radius = radius_px[nearest]
    path = 2 * np.sqrt(np.clip(radius**2 - distance**2, 0, None))
    beam[rows, columns] += (per_px[nearest] * path).astype(np.float32)


def _exposed(beam: Canvas, photons: float, seed: tuple[int, ...]) -> GreyImage:
    blurred = cv2.GaussianBlur(beam, (0, 0), _BLUR_PX)
    quanta = photons * np.exp(-blurred)
    rng = np.random.default_rng(seed)
    counted = quanta + np.sqrt(quanta) * rng.standard_normal(beam.shape, dtype=np.float32)
    counted = cv2.GaussianBlur(counted.astype(np.float32), (0, 0), 0.5)  # the detector spreads the quanta, too
    shown = 255 + 115 * np.log(np.clip(counted, 1, None) / photons)
    picture: GreyImage = np.clip(np.round(shown), 0, 255).astype(np.uint8)
    return picture
