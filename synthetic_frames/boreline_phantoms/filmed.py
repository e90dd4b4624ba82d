"""An IVUS run filmed by X-ray: one vessel, one heart and one hand for both."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from boreline.model import GreyImage, JsonValue, PullbackKind
from boreline_phantoms.anatomy import Branch, Lesion, VesselPlan
from boreline_phantoms.motion import Motion, Track, Withdrawal, track
from boreline_phantoms.physics import Physics
from boreline_phantoms.records import Acquisition, Scene, Truth
from boreline_phantoms.view import Views, look
from boreline_phantoms.xray import XrayScene
from boreline_phantoms.xray_scenes import LEVELS, xray_scene

_RATE_HZ = 30.0
_SHORTEST_S = 12.0
_WALL_MM = 0.35


@dataclass(frozen=True, slots=True)
class FilmedContent:
    """What a manual run shows whose transducer is watched in fluoroscopy; `level` is that of the X-ray scene."""

    level: str
    motion: Motion = field(default_factory=lambda: Motion(axial_mm=0.0))
    physics: Physics = field(default_factory=Physics)

    def films(self, scene: Scene) -> XrayScene:
        """The X-ray scene that belongs to the run."""
        seconds = max(_SHORTEST_S, scene.n_frames / _RATE_HZ)
        return replace(xray_scene(self.level, scene.seed, seconds=seconds), ivus_frames=scene.n_frames)

    def plan(self, films: XrayScene) -> VesselPlan:
        """The vessel of the films, seen from inside: the same taper and branch mouths, with plaque of its own."""
        start_mm = float(films.along_mm(films.ivus_times_s).max())
        ends_mm = films.vessel.radius_mm(np.array([0.0, start_mm]))
        mouths = [mouth for mouth, _, _ in films.vessel.branches if 1.0 < mouth < start_mm - 1.0]
        return VesselPlan(
            eem_mm=float(ends_mm.sum()) + 2 * _WALL_MM,
            taper=float(2 * (ends_mm[0] - ends_mm[1]) / start_mm),
            plaque_mm=_WALL_MM / 2,
            lesions=(Lesion(at=0.4, length_mm=7.0, burden=0.55),),
            branches=tuple(
                Branch(at=(start_mm - mouth) / start_mm, direction_deg=110.0 + 150.0 * number, diameter_mm=1.7)
                for number, mouth in enumerate(mouths)
            ),
        )

    def _parts(self, scene: Scene) -> tuple[VesselPlan, Track, Views]:
        films = self.films(scene)
        along_mm = films.along_mm(films.ivus_times_s)
        withdrawal = Withdrawal(along_mm.max() - along_mm, along_mm < 0, films.body.beats_s)
        plan, moved = self.plan(films), track(self.motion, scene, withdrawal)
        return plan, moved, look(plan, moved, scene.seed, self.physics.sheath_mm)

    def truth(self, scene: Scene) -> Truth:
        """Truth of all frames, from the shapes."""
        from boreline_phantoms.vessel_truth import vessel_truth

        plan, moved, views = self._parts(scene)
        return vessel_truth(scene, plan, self.physics, moved, views)

    def frames(self, scene: Scene, start: int, stop: int) -> Iterator[GreyImage]:
        """Draw frames [start, stop)."""
        from boreline_phantoms.draw import Painter

        plan, moved, views = self._parts(scene)
        yield from Painter(scene, plan, self.physics, views, moved.commanded_mm).draw(start, stop)

    def describe(self, scene: Scene) -> Mapping[str, JsonValue]:
        """Every number of the plan, the motion and the physics."""
        plan = self.plan(self.films(scene))
        return {**asdict(self), "plan": asdict(plan)}


def filmed_scenes() -> list[Scene]:
    """One scene per level of the X-ray catalogue."""
    difficulty = dict(zip(LEVELS, ("typical", "typical", "hard"), strict=True))
    return [
        Scene(
            f"xray-{level}",
            f"manual run with fluoroscopy and cine: {xray_scene(level).description}",
            frozenset({"xray", difficulty[level]}),
            FilmedContent(level),
            n_frames=900,
            acquisition=Acquisition(kind=PullbackKind.MANUAL, frame_rate_hz=_RATE_HZ),
        )
        for level in LEVELS
    ]
