"""The demonstration case: one vessel before treatment and after a stent was implanted."""

from __future__ import annotations

from dataclasses import replace

from boreline_phantoms.anatomy import Branch, Calcium, Lesion, Stent, VesselPlan
from boreline_phantoms.dicom import Study
from boreline_phantoms.motion import Motion
from boreline_phantoms.physics import Physics
from boreline_phantoms.records import Acquisition, Picture, Scene
from boreline_phantoms.vessel import VesselContent

_SPEED_MM_S = 4.0
_FRAMES = 220

CASE = Study(study_key="demo")
"""Both runs lie in one study."""


def demo_case() -> tuple[Scene, Scene]:
    """The run before treatment and the run after implantation, 29 mm each at 0.13 mm from frame to frame."""
    before = VesselPlan(
        eem_mm=4.1,
        taper=0.02,
        lesions=(Lesion(at=0.45, length_mm=9.0, burden=0.72, eccentricity=0.6, remodelling=1.04),),
        calcium=(Calcium(at=0.38, length_mm=3.0, arc_deg=70.0),),
        branches=(Branch(at=0.82, diameter_mm=1.6),),
    )
    after = replace(before, stent=Stent(start=0.26, stop=0.66), calcium=())
    return (
        _run(
            "demo-before", "the demonstration vessel before treatment", before, started_at="20250314093000.000000+0000"
        ),
        _run("demo-implanted", "the same vessel with a stent", after, started_at="20250314101500.000000+0000"),
    )


def _run(name: str, description: str, plan: VesselPlan, *, started_at: str) -> Scene:
    return Scene(
        name,
        description,
        frozenset({"demo"}),
        VesselContent(plan, Motion(axial_mm=0.1), Physics()),
        n_frames=_FRAMES,
        seed=2025,
        picture=Picture(512, 10.0),
        acquisition=Acquisition(speed_mm_s=_SPEED_MM_S, started_at=started_at),
    )
