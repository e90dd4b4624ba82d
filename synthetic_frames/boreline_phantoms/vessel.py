"""A vessel scene: anatomy, motion and ultrasound together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field

from boreline.model import GreyImage, JsonValue
from boreline_phantoms.anatomy import VesselPlan
from boreline_phantoms.motion import Motion, track
from boreline_phantoms.physics import Beam, Physics
from boreline_phantoms.records import Scene, Truth
from boreline_phantoms.view import look


@dataclass(frozen=True, slots=True)
class VesselContent:
    """What a vessel scene shows."""

    plan: VesselPlan = field(default_factory=VesselPlan)
    motion: Motion = field(default_factory=Motion)
    physics: Physics = field(default_factory=Physics)

    def truth(self, scene: Scene) -> Truth:
        """Truth of all frames, from the shapes."""
        from boreline_phantoms.vessel_truth import vessel_truth

        moved = track(self.motion, scene)
        views = look(self.plan, moved, scene.seed, self.physics.sheath_mm)
        return vessel_truth(scene, self.plan, self.physics, moved, views)

    def frames(self, scene: Scene, start: int, stop: int) -> Iterator[GreyImage]:
        """Draw frames [start, stop)."""
        from boreline_phantoms.draw import Painter

        moved = track(self.motion, scene)
        views = look(self.plan, moved, scene.seed, self.physics.sheath_mm)
        yield from Painter(scene, self.plan, self.physics, views, moved.commanded_mm).draw(start, stop)

    def films(self, scene: Scene) -> None:
        """No X-ray."""

    def describe(self, scene: Scene) -> Mapping[str, JsonValue]:
        """Every number of the plan, the motion and the physics."""
        beam = Beam(scene.mhz)
        return {
            **asdict(self),
            "axial_resolution_mm": beam.axial_mm,
            "speckle_correlation_length_mm": beam.elevation_mm,
            "blood_db": self.physics.blood_db(scene.mhz),
        }
