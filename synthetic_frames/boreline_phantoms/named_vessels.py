"""Named vessel scenes, from typical to very hard."""

from __future__ import annotations

from dataclasses import replace

from boreline.model import PullbackKind
from boreline_phantoms.anatomy import Branch, Calcium, Lesion, Stent, Tissue, VesselPlan
from boreline_phantoms.motion import Motion
from boreline_phantoms.physics import Blood, Physics
from boreline_phantoms.records import Acquisition, Picture, Scene
from boreline_phantoms.vessel import VesselContent

TYPICAL, HARD, VERY_HARD = "typical", "hard", "very-hard"


def _scene(
    name: str,
    description: str,
    tags: str,
    plan: VesselPlan,
    *,
    motion: Motion | None = None,
    physics: Physics | None = None,
    mhz: float = 40.0,
    frames: int = 240,
    field_mm: float = 10.0,
    acquisition: Acquisition | None = None,
) -> Scene:
    return Scene(
        name,
        description,
        frozenset(tags.split()),
        VesselContent(plan, motion or Motion(), physics or Physics()),
        n_frames=frames,
        mhz=mhz,
        picture=Picture(512, field_mm),
        acquisition=acquisition or Acquisition(),
    )


ARRAY = Physics(wire=False, ring_db=5.0, ring_mm=0.22, sheath_mm=0.55, variation_db=3.0, range_db=45.0)
"""A 20 MHz solid-state array: the wire runs inside the catheter, the ring-down is wide."""


def vessel_scenes() -> list[Scene]:
    """All of them, in the order of the list."""
    fibrous = VesselPlan(lesions=(Lesion(length_mm=6.0),))
    scenes = [*_typical(fibrous), *_hard(fibrous), *_very_hard(), *_recordings(fibrous)]
    # Seeds of their own, so that the scenes of the list do not look like one vessel.
    return [scene.with_(seed=number) for number, scene in enumerate(scenes, start=11)]


def _typical(fibrous: VesselPlan) -> list[Scene]:
    return [
        _scene("vessel", "a fibrous plaque narrows a coronary artery", TYPICAL, fibrous),
        _scene("healthy", "a thin, nearly normal wall", TYPICAL, VesselPlan(plaque_mm=0.15, veins=2, pericardium=True)),
        _scene(
            "taper",
            "a vessel that tapers by a tenth of a millimetre per millimetre, diffuse plaque",
            TYPICAL,
            VesselPlan(taper=0.1, plaque_mm=0.4),
        ),
        _scene(
            "positive-remodelling",
            "an eccentric plaque behind which the vessel has grown",
            TYPICAL,
            VesselPlan(lesions=(Lesion(length_mm=7.0, burden=0.62, eccentricity=0.85, remodelling=1.18),)),
        ),
        _scene(
            "negative-remodelling",
            "a concentric plaque where the vessel has shrunk",
            TYPICAL,
            VesselPlan(eem_mm=4.2, lesions=(Lesion(length_mm=7.0, burden=0.6, eccentricity=0.2, remodelling=0.85),)),
        ),
        _scene(
            "calcium",
            "superficial calcium of up to 80 degrees with shadow and reverberation",
            TYPICAL,
            VesselPlan(lesions=(Lesion(length_mm=8.0),), calcium=(Calcium(arc_deg=80.0, length_mm=5.0),)),
        ),
        _scene(
            "sixty",
            "60 MHz: fine speckle, bright blood",
            f"{TYPICAL} sixty",
            fibrous,
            physics=Physics(range_db=52.0, gamma=1.1, wire=True),
            mhz=60.0,
        ),
        _scene(
            "twenty",
            "20 MHz array: coarse speckle, wide ring-down, no wire shadow",
            TYPICAL,
            VesselPlan(media_mm=0.2, lesions=(Lesion(length_mm=6.0, burden=0.5),)),
            physics=ARRAY,
            mhz=20.0,
        ),
        _scene(
            "stent",
            "a stent, well expanded and apposed",
            f"{TYPICAL} stent",
            VesselPlan(stent=Stent(start=0.2, stop=0.8), lesions=(Lesion(length_mm=6.0),)),
            frames=300,
        ),
    ]


def _hard(fibrous: VesselPlan) -> list[Scene]:
    return [
        _scene(
            "calcium-wide",
            "superficial calcium of up to 220 degrees: the EEM is lost",
            f"{HARD} calcium",
            VesselPlan(lesions=(Lesion(length_mm=8.0),), calcium=(Calcium(arc_deg=220.0, length_mm=6.0),)),
        ),
        _scene(
            "calcium-deep",
            "deep calcium on one side, a superficial nodule on the other",
            f"{HARD} calcium",
            VesselPlan(
                lesions=(Lesion(length_mm=9.0, burden=0.66),),
                calcium=(
                    Calcium(arc_deg=70.0, length_mm=4.0, depth=0.75, direction_deg=30.0),
                    Calcium(arc_deg=40.0, length_mm=2.0, depth=0.0, direction_deg=190.0),
                ),
            ),
        ),
        _scene(
            "branch",
            "a side branch of 2 mm opens and merges",
            f"{HARD} branch",
            VesselPlan(branches=(Branch(direction_deg=140.0),), plaque_mm=0.3),
        ),
        _scene(
            "branches",
            "a large and a small branch beside a plaque",
            f"{HARD} branch",
            VesselPlan(
                lesions=(Lesion(at=0.35, length_mm=4.0, burden=0.5),),
                branches=(
                    Branch(at=0.7, diameter_mm=2.6, direction_deg=120.0),
                    Branch(at=0.3, diameter_mm=1.2, spread=1.2),
                ),
            ),
        ),
        _scene(
            "attenuated",
            "a plaque that swallows the far wall without a bright front",
            HARD,
            VesselPlan(lesions=(Lesion(length_mm=7.0, tissue=Tissue.ATTENUATED),)),
        ),
        _scene(
            "touching",
            "the catheter lies on the wall under its own ring-down",
            HARD,
            fibrous,
            motion=Motion(off_centre=1.0),
            physics=Physics(ring_db=7.0, ring_mm=0.28),
        ),
        _scene(
            "oblique",
            "the catheter crosses the vessel at about 25 degrees and off its axis",
            HARD,
            fibrous,
            motion=Motion(tilt_deg=25.0, off_centre=0.7),
        ),
        _scene(
            "uneven",
            "the drive shaft binds: angles are stretched and squeezed",
            HARD,
            fibrous,
            motion=Motion(uneven_rotation=0.35),
        ),
        _scene(
            "soft",
            "plaque hardly brighter than blood",
            HARD,
            VesselPlan(lesions=(Lesion(length_mm=7.0, tissue=Tissue.SOFT),)),
        ),
        _scene(
            "frozen-blood",
            "blood speckle stands still with the wall",
            HARD,
            fibrous,
            physics=Physics(blood=Blood.FROZEN),
        ),
        _scene("slow-blood", "blood speckle drifts slowly", HARD, fibrous, physics=Physics(blood=Blood.MOVING)),
        _scene(
            "fast",
            "10 mm/s: neighbouring frames share little speckle",
            HARD,
            VesselPlan(lesions=(Lesion(length_mm=20.0),)),
            acquisition=Acquisition(speed_mm_s=10.0),
        ),
        _scene(
            "dropout",
            "a sector of poor contact, changing gain, a harsh display curve",
            HARD,
            fibrous,
            physics=Physics(dropout_db=16.0, gain_drift_db=3.0, range_db=38.0, gamma=1.4),
        ),
        _scene(
            "stent-small",
            "a stent with a waist and one stretch that stands off the wall",
            f"{HARD} stent",
            VesselPlan(
                stent=Stent(start=0.15, stop=0.85, waist=0.25, gap_mm=0.6, gap_at=0.3),
                lesions=(Lesion(length_mm=5.0, remodelling=1.08),),
            ),
            frames=360,
        ),
        _scene(
            "dissection",
            "a flap with blood behind it at a stent's proximal edge",
            f"{HARD} stent",
            VesselPlan(
                eem_mm=4.4, plaque_mm=0.75, stent=Stent(start=0.1, stop=0.55, diameter_mm=3.0, dissection_mm=0.5)
            ),
            frames=300,
        ),
    ]


def _very_hard() -> list[Scene]:
    return [
        _scene(
            "soft-bright-blood",
            "60 MHz, bright blood, soft plaque at its level, thin media",
            VERY_HARD,
            VesselPlan(media_mm=0.11, intima_mm=0.06, lesions=(Lesion(length_mm=7.0, tissue=Tissue.SOFT),)),
            physics=Physics(blood_offset_db=4.0, soft_db=0.0, intima_db=-8.0),
            mhz=60.0,
        ),
        _scene(
            "soft-fast",
            "soft plaque and 8 mm/s: neither brightness nor speckle tells blood from wall",
            VERY_HARD,
            VesselPlan(lesions=(Lesion(length_mm=18.0, tissue=Tissue.SOFT),)),
            physics=Physics(soft_db=1.0, intima_db=-9.0),
            acquisition=Acquisition(speed_mm_s=8.0),
        ),
        _scene(
            "everything",
            "calcium, a branch, bright blood, uneven rotation and a catheter near the wall",
            VERY_HARD,
            VesselPlan(
                lesions=(Lesion(at=0.4, length_mm=8.0, burden=0.65, eccentricity=0.8),),
                calcium=(Calcium(at=0.35, arc_deg=110.0),),
                branches=(Branch(at=0.8, diameter_mm=1.8),),
                veins=3,
                pericardium=True,
            ),
            motion=Motion(off_centre=0.9, uneven_rotation=0.25, in_plane_mm=0.15, axial_mm=0.5),
            physics=Physics(blood_offset_db=5.0, gain_drift_db=2.0),
        ),
    ]


def _recordings(fibrous: VesselPlan) -> list[Scene]:
    """Scenes that vary the recording rather than the vessel."""
    long = VesselPlan(
        eem_mm=4.0,
        taper=0.03,
        lesions=(
            Lesion(at=0.55, length_mm=12.0, burden=0.68, eccentricity=0.6, remodelling=1.06),
            Lesion(at=0.2, length_mm=5.0, burden=0.5, direction_deg=250.0),
        ),
        calcium=(Calcium(at=0.52, length_mm=5.0, arc_deg=75.0),),
        branches=(Branch(at=0.78, diameter_mm=1.8),),
        guide=0.06,
        aorta=0.02,
    )
    plain = Motion(axial_mm=0.0, in_plane_mm=0.0, pulsation=0.0)
    return [
        _scene(
            "pullback",
            "a whole pullback: lesions, calcium, a branch, the aorta and the guide catheter",
            f"{TYPICAL} long",
            long,
            frames=900,
        ),
        _scene(
            "guide",
            "the second half lies inside the guide catheter, after the aorta",
            f"{HARD} guide",
            replace(fibrous, guide=0.4, aorta=0.1, blank=0.05),
        ),
        _scene(
            "gated",
            "one frame per heart beat, 0.2 mm apart",
            f"{TYPICAL} gated",
            VesselPlan(lesions=(Lesion(length_mm=14.0),)),
            frames=150,
            acquisition=Acquisition(kind=PullbackKind.GATED, frame_rate_hz=1.1, mm_per_beat=0.2),
        ),
        _scene(
            "manual",
            "withdrawn by hand, with stops and slides back: the file states no speed",
            f"{HARD} manual",
            VesselPlan(lesions=(Lesion(length_mm=14.0),)),
            motion=Motion(hand=True),
            frames=600,
            acquisition=Acquisition(kind=PullbackKind.MANUAL, speed_mm_s=2.0),
        ),
        _scene(
            "still-ends",
            "the motor starts late and stops early; uneven frame times",
            TYPICAL,
            fibrous,
            acquisition=Acquisition(still_frames=(30, 20), uneven_times=True),
        ),
        _scene(
            "even-tube",
            "a round, even vessel without heartbeat, for the bias of minima",
            f"{TYPICAL} even",
            VesselPlan(taper=0.0, plaque_mm=0.2, roundness_sd=0.0, rough_mm=0.0, veins=0),
            motion=plain,
        ),
    ]
