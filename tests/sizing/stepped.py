"""A vessel in steps, whose plan can be worked by hand.

Lumen and EEM are 7.6 and 12.4 mm2 distally, 2.9 and 14.5 in the lesion (25.0 to 35.0 mm), 9.8 and 16.5 proximally.
Rows lie 0.1 mm apart, so row 250 is at 25.0 mm.
"""

import math

import numpy as np
from vessels import table

from boreline.model import Structure
from boreline.profile.lesions import Lesion, lesion_to_cover
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.uncertainty import SharedUncertainty, Window
from boreline.sizing.devices import Device
from boreline.sizing.planning import Plan, make_plan

FIRST, LAST = 250, 350
SIZES = (2.5, 2.75, 3.0, 3.25, 3.5, 3.75, 4.0, 4.5)
DEVICES = [Device(size, length, size + 0.5) for size in SIZES for length in (9.0, 12.0, 18.0)]
BURDENS = {"distal": 100 * (1 - 7.6 / 12.4), "proximal": 100 * (1 - 9.8 / 16.5)}


def diameter(area_mm2: float) -> float:
    return 2 * math.sqrt(area_mm2 / math.pi)


def steps(**columns: object):
    out = table()
    x = out["position_mm"].to_numpy()
    places = [x < 24.95, x > 35.05]
    out["lumen_area_mm2"] = np.select(places, [7.6, 9.8], 2.9)
    out["eem_area_mm2"] = np.select(places, [12.4, 16.5], 14.5)
    for border in ("lumen", "eem"):
        for name in ("min", "max"):
            out[f"{border}_{name}_diameter_mm"] = np.nan  # diameters follow from the areas
    return out.assign(**columns)


def found(**columns: object) -> Profile:
    return profile_from_table(steps(**columns))


def lesion_of(profile: Profile) -> Lesion:
    lesion = lesion_to_cover(profile)
    assert lesion is not None
    assert (lesion.first_row, lesion.last_row) == (FIRST, LAST)
    return lesion


def plan(profile: Profile, shared: SharedUncertainty | None = None, **options: object) -> Plan:
    options = {"devices": DEVICES, "n_draws": 60, **options}
    return make_plan(profile, shared or SharedUncertainty(), **options)  # type: ignore[arg-type]


def column(profile: Profile, first: int, lumen: dict[int, float], eem: dict[int, float] | None = None) -> Window:
    """One draw from row `first` on: the areas as read, but for the rows named."""
    areas = {}
    for structure, read, changed in (
        (Structure.LUMEN, profile.lumen_area_mm2, lumen),
        (Structure.EEM, profile.eem_area_mm2, eem),
    ):
        if changed is not None:
            areas[structure] = read.copy()[:, None]
            areas[structure][list(changed), 0] = list(changed.values())
            areas[structure] = areas[structure][first:]
    return Window(first, areas, np.ones(1), np.ones(1), np.random.default_rng(0))
