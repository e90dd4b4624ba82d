"""Truth of a vessel scene, from the shapes that it is drawn from.

Areas, diameters and angles are those of the borders as they stand in the picture: an oblique cut is an ellipse, and
uneven rotation bends it. The true cross-section of the vessel is in `motion.csv` beside it.

Conventions: the lumen border is the leading edge of the intima, the EEM the outer edge of the dark media; the mouth of
a branch and the wire's shadow are bridged; the EEM is empty when 90 degrees or more of it cannot be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from boreline.flags import Flag
from boreline.model import BoolArray, Contours, FloatArray, PullbackKind, SectorKind, Sectors, Structure
from boreline_phantoms.anatomy import ANGLES_RAD, N_ANGLES, STRUT_MM, Borders, Stent, VesselPlan, borders
from boreline_phantoms.curves import chords_through, curve_area_centroid, radii_about
from boreline_phantoms.exact import still_flags
from boreline_phantoms.motion import Track
from boreline_phantoms.physics import Physics
from boreline_phantoms.records import Scene, Truth
from boreline_phantoms.reflectors import aim_of_wire, strut_points, wire_half_rad, wire_place
from boreline_phantoms.smooth import angle_between
from boreline_phantoms.view import (
    CHUNK,
    DIRECTIONS,
    Place,
    Views,
    as_shown,
    border_points,
    calcium_front,
    project,
    runs_of,
)

KEEP_EVERY = 2
"""Every second of the N_ANGLES points of a border is written as a vertex."""
HIDDEN_DB = 18.0
"""An EEM behind this much extra attenuation is not seen."""
STANDS_CLEAR_MM = STRUT_MM + 0.1
"""A strut farther than its own thickness and 0.1 mm from the wall is malapposed."""
UNEVEN_RAD = np.deg2rad(4.0)

See = Callable[[FloatArray], FloatArray]
_PLACE_FLAGS = {Place.AORTA: Flag.OUTSIDE_VESSEL, Place.GUIDE: Flag.IN_GUIDE, Place.NOWHERE: Flag.BLANK}
_MEASURES = (
    "lumen_area_mm2",
    "lumen_min_diameter_mm",
    "lumen_max_diameter_mm",
    "eem_area_mm2",
    "eem_min_diameter_mm",
    "eem_max_diameter_mm",
    "eem_hidden_deg",
    "plaque_area_mm2",
    "plaque_burden_pct",
    "calcium_arc_deg",
    "stent_area_mm2",
    "malapposition_mm",
)


@dataclass(slots=True)
class _Frame:
    """What is found out about one frame."""

    values: dict[str, float] = field(default_factory=dict)
    polygons: dict[Structure, tuple[FloatArray, BoolArray]] = field(default_factory=dict)
    sectors: list[tuple[SectorKind, float, float, float]] = field(default_factory=list)
    flags: set[Flag] = field(default_factory=set)


@dataclass(slots=True)
class _Packed:
    """Polygons of one structure, frame by frame, in the compact form of `Contours`."""

    counts: list[int] = field(default_factory=list)
    xy_px: list[npt.NDArray[np.float32]] = field(default_factory=list)
    seen: list[BoolArray] = field(default_factory=list)

    def take(self, frames: Sequence[_Frame], structure: Structure) -> None:
        """Take the polygons out of the next frames."""
        for frame in frames:
            polygon, seen = frame.polygons.pop(structure, (np.empty((0, 2)), np.empty(0, dtype=np.bool_)))
            self.counts.append(len(polygon))
            self.xy_px.append(polygon.astype(np.float32))
            self.seen.append(seen.copy())

    def contours(self, structure: Structure) -> Contours:
        """All of them."""
        offsets = np.concatenate([[0], np.cumsum(self.counts)]).astype(np.int64)
        n = int(offsets[-1])
        return Contours(
            structure, offsets, np.concatenate(self.xy_px), np.concatenate(self.seen), np.zeros(n, dtype=np.uint8)
        )


def vessel_truth(scene: Scene, plan: VesselPlan, physics: Physics, moved: Track, views: Views) -> Truth:
    """Truth of all frames of a vessel scene."""
    n = scene.n_frames
    wire_rad = aim_of_wire(scene, moved.commanded_mm)
    frames: list[_Frame] = []
    packed = {structure: _Packed() for structure in Structure}
    for start in range(0, n, CHUNK):
        stop = min(n, start + CHUNK)
        section = borders(plan, views.z_mm[start:stop], views.span_mm, scene.seed)
        for number in range(start, stop):
            place = Place(views.place[number])
            if place is Place.VESSEL:
                aim = float(wire_rad[number]) if physics.wire else None
                frames.append(_frame_truth(scene, plan, physics, views, section, number, number - start, aim))
            else:
                frames.append(_Frame(flags={_PLACE_FLAGS[place]}))
        for structure, border in packed.items():
            border.take(frames[start:stop], structure)
    first, last = scene.moving()
    in_vessel = views.place == Place.VESSEL
    position = views.z_mm - (views.z_mm[in_vessel].min() if in_vessel.any() else 0.0)
    return Truth(
        columns={
            "time_s": scene.times_s(),
            "position_mm": position,
            **{name: np.array([frame.values.get(name, np.nan) for frame in frames]) for name in _MEASURES},
        },
        contours={structure: border.contours(structure) for structure, border in packed.items()},
        sectors=_pack_sectors(frames),
        flags=tuple(frozenset(frame.flags | _still(scene, number, first, last)) for number, frame in enumerate(frames)),
        motion={
            "z_mm": views.z_mm,
            "commanded_mm": moved.commanded_mm,
            "heart_phase": moved.beat,
            "tilt_deg": np.rad2deg(moved.tilt_rad),
            "vessel_lumen_area_mm2": np.array([frame.values.get("vessel", np.nan) for frame in frames]),
        },
        r_waves_ms=moved.r_waves_ms if scene.acquisition.kind is PullbackKind.GATED else None,
    )


def _still(scene: Scene, number: int, first: int, last: int) -> frozenset[Flag]:
    motorised = scene.acquisition.kind in (PullbackKind.MOTOR, PullbackKind.GATED)
    return still_flags(number, first, last) if motorised else frozenset()


def _frame_truth(
    scene: Scene,
    plan: VesselPlan,
    physics: Physics,
    views: Views,
    section: Borders,
    number: int,
    row: int,
    wire_aim: float | None,
) -> _Frame:
    found = _Frame()
    matrix, origin, warp = views.matrix[number], views.origin_mm[number], views.warp[number]

    def see(points: FloatArray) -> FloatArray:
        return as_shown(project(points, matrix, origin), warp)

    lumen, eem = see(border_points(section.lumen[row])), see(border_points(section.eem[row]))
    area, apex = curve_area_centroid(lumen)
    found.values["vessel"] = float(curve_area_centroid(border_points(section.lumen[row]))[0])
    found.values.update(lumen_area_mm2=float(area), calcium_arc_deg=0.0)
    low, high = chords_through(lumen, apex)
    found.values.update(lumen_min_diameter_mm=low, lumen_max_diameter_mm=high)

    hidden_lumen = np.zeros(N_ANGLES, dtype=np.bool_)
    hidden_eem = np.hypot(eem[:, 0], eem[:, 1]) > scene.picture.field_mm / 2
    beyond = bool(hidden_eem.any())

    for run in runs_of(np.isfinite(calcium_front(section, row))):
        front = see(calcium_front(section, row)[run, None] * DIRECTIONS[run])
        start, end, depth = _sector(front, apex, whole=len(run) == N_ANGLES)
        found.sectors += [(SectorKind.CALCIUM, start, end, depth), (SectorKind.SHADOW, start, end, depth)]
        found.values["calcium_arc_deg"] += end - start
        hidden_eem |= _behind(
            project(border_points(section.eem[row]), matrix, origin), section, row, run, matrix, origin
        )

    if wire_aim is not None:
        _hide_behind_wire(found, physics, section, row, matrix, origin, see, apex, wire_aim, hidden_lumen, hidden_eem)
    _hide_behind_plaque(found, physics, section, row, see, apex, scene.mhz, hidden_eem)
    _open_branches(found, section, row, see, apex, hidden_lumen, hidden_eem)
    if plan.stent is not None and np.isfinite(section.stent[row]).all():
        _measure_stent(found, plan.stent, section, row, see, apex, float(views.z_mm[number]))

    to_px = scene.picture.to_px
    found.polygons[Structure.LUMEN] = to_px(lumen[::KEEP_EVERY]), ~hidden_lumen[::KEEP_EVERY]
    hidden_deg = _hidden_degrees(eem, apex, hidden_eem)
    found.values["eem_hidden_deg"] = hidden_deg
    if hidden_deg >= 90.0:
        found.flags.add(Flag.EEM_OUT_OF_VIEW if beyond else Flag.EEM_HIDDEN)
    else:
        found.polygons[Structure.EEM] = to_px(eem[::KEEP_EVERY]), ~hidden_eem[::KEEP_EVERY]
        eem_area, eem_apex = curve_area_centroid(eem)
        low, high = chords_through(eem, eem_apex)
        plaque = float(eem_area - area)
        found.values.update(eem_area_mm2=float(eem_area), eem_min_diameter_mm=low, eem_max_diameter_mm=high)
        found.values.update(plaque_area_mm2=plaque, plaque_burden_pct=100 * plaque / float(eem_area))
    if Structure.STENT in found.polygons:
        polygon, seen = found.polygons[Structure.STENT]
        found.polygons[Structure.STENT] = to_px(polygon), seen
    if np.abs(warp).sum() > UNEVEN_RAD:
        found.flags.add(Flag.ROTATION_UNEVEN)
    return found


def _hide_behind_wire(
    found: _Frame,
    physics: Physics,
    section: Borders,
    row: int,
    matrix: FloatArray,
    origin: FloatArray,
    see: See,
    apex: FloatArray,
    aim: float,
    hidden_lumen: BoolArray,
    hidden_eem: BoolArray,
) -> None:
    lumen, eem = (project(border_points(r), matrix, origin) for r in (section.lumen[row], section.eem[row]))
    place = wire_place(aim, physics.sheath_mm, radii_about(lumen, np.zeros(2), ANGLES_RAD))
    if place is None:
        return
    angle, distance = place
    half = wire_half_rad(distance)
    for border, hidden in ((lumen, hidden_lumen), (eem, hidden_eem)):
        hidden |= np.abs(angle_between(np.arctan2(border[:, 1], border[:, 0]), angle)) < half
    runs = runs_of(hidden_lumen)
    if len(runs) == 1 and len(runs[0]) > 1:
        start, end, _ = _sector(see(border_points(section.lumen[row]))[runs[0]], apex)
        found.sectors.append((SectorKind.GUIDEWIRE, start, end, np.nan))


def _hide_behind_plaque(
    found: _Frame,
    physics: Physics,
    section: Borders,
    row: int,
    see: See,
    apex: FloatArray,
    mhz: float,
    hidden_eem: BoolArray,
) -> None:
    thick = section.media[row] - section.lumen[row]
    lost_db = section.attenuating[row] * physics.attenuating_db_mm * thick * mhz / 40.0
    dark = lost_db >= HIDDEN_DB
    hidden_eem |= dark
    for run in runs_of(dark):
        if len(run) > 1:
            start, end, depth = _sector(see(section.lumen[row][run, None] * DIRECTIONS[run]), apex)
            found.sectors.append((SectorKind.ATTENUATED, start, end, depth))


def _open_branches(
    found: _Frame,
    section: Borders,
    row: int,
    see: See,
    apex: FloatArray,
    hidden_lumen: BoolArray,
    hidden_eem: BoolArray,
) -> None:
    """A branch's circle over the border opens it: the mouth is bridged, the EEM is not there."""
    for x, y, radius in section.branch[:, row]:
        lumen, eem = border_points(section.lumen[row]), border_points(section.eem[row])
        mouth = np.hypot(lumen[:, 0] - x, lumen[:, 1] - y) < radius
        gone = np.hypot(eem[:, 0] - x, eem[:, 1] - y) < radius
        hidden_eem |= gone
        if not (mouth.any() and gone.any()):
            continue
        found.flags.add(Flag.BRANCH)
        hidden_lumen |= mouth
        for run in runs_of(mouth):
            if len(run) > 1:
                start, end, depth = _sector(see(lumen[run]), apex)
                found.sectors.append((SectorKind.BRANCH, start, end, depth))


def _measure_stent(
    found: _Frame, stent: Stent, section: Borders, row: int, see: See, apex: FloatArray, z_mm: float
) -> None:
    found.flags.add(Flag.STENT)
    curve = see(border_points(section.stent[row]))
    found.values["stent_area_mm2"] = float(curve_area_centroid(curve)[0])
    found.polygons[Structure.STENT] = curve[::KEEP_EVERY], np.ones(N_ANGLES // KEEP_EVERY, dtype=np.bool_)
    own = strut_points(z_mm, stent.struts, section.stent[row])
    wall = border_points(section.lumen[row])
    angles = np.arctan2(own[:, 1], own[:, 0])
    inside = np.hypot(own[:, 0], own[:, 1]) < np.interp(angles, ANGLES_RAD, section.lumen[row], period=2 * np.pi)
    away = np.hypot(*(own[:, None, :] - wall[None]).transpose(2, 0, 1)).min(axis=1)
    largest = float(np.max(np.where(inside, away, 0.0)))
    found.values["malapposition_mm"] = largest
    if largest > STANDS_CLEAR_MM:
        found.flags.add(Flag.MALAPPOSED)
    for x, y in see(own):
        distance = float(np.hypot(x - apex[0], y - apex[1]))
        middle, half = np.rad2deg(np.arctan2(y - apex[1], x - apex[0])), np.rad2deg(0.06 / distance)
        start = float((middle - half) % 360)
        found.sectors.append((SectorKind.STRUT, start, start + 2 * float(half), distance))


def _behind(
    border: FloatArray, section: Borders, row: int, run: np.ndarray, matrix: FloatArray, origin: FloatArray
) -> BoolArray:
    """Points of a border on the rays that a run of the calcium's front crosses."""
    if len(run) == N_ANGLES:
        return np.ones(N_ANGLES, dtype=np.bool_)
    front = project(calcium_front(section, row)[run, None] * DIRECTIONS[run], matrix, origin)
    angle = np.unwrap(np.arctan2(front[:, 1], front[:, 0]))
    middle, half = (angle[0] + angle[-1]) / 2, abs(angle[-1] - angle[0]) / 2
    behind: BoolArray = np.abs(angle_between(np.arctan2(border[:, 1], border[:, 0]), middle)) <= half
    return behind


def _sector(points_mm: FloatArray, apex_mm: FloatArray, *, whole: bool = False) -> tuple[float, float, float]:
    """Start, end (degrees) and least depth (mm) of a run of points seen from the apex."""
    offset = points_mm - apex_mm
    depth = float(np.hypot(offset[:, 0], offset[:, 1]).min())
    if whole:
        return 0.0, 360.0, depth
    angle = np.rad2deg(np.unwrap(np.arctan2(offset[:, 1], offset[:, 0])))
    start = float(angle.min() % 360.0)
    return start, start + float(angle.max() - angle.min()), depth


def _hidden_degrees(eem: FloatArray, apex: FloatArray, hidden: BoolArray) -> float:
    """Angle about the apex over which the border is hidden; each point stands for the arc halfway to its neighbours."""
    angle = np.arctan2(eem[:, 1] - apex[1], eem[:, 0] - apex[0])
    step = np.abs(angle_between(np.roll(angle, -1), angle))
    share = (step + np.roll(step, 1)) / 2
    return float(np.rad2deg(share[hidden].sum()))


def _pack_sectors(frames: Sequence[_Frame]) -> Sectors:
    rows = [
        (number, *sector) for number, frame in enumerate(frames) for sector in frame.sectors if sector[1] < sector[2]
    ]
    if not rows:
        return Sectors.empty()
    number, kind, start, end, depth = zip(*rows, strict=True)
    return Sectors(np.array(number, dtype=np.int64), tuple(kind), np.array(start), np.array(end), np.array(depth))
