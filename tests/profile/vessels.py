"""Vessels with known areas, as profile tables."""

from __future__ import annotations

import numpy as np
import pandas as pd

from boreline.profile.record import Profile, profile_from_table

STEP_MM = 0.1


def table(
    *,
    n: int = 600,
    lesion_depth: float = 0.7,
    lesion_sd_mm: float = 4.0,
    centre_mm: float = 30.0,
    lumen_mm2: float = 8.0,
    eem_mm2: float = 14.0,
    taper: float = 0.02,
    noise: float = 0.0,
) -> pd.DataFrame:
    """A tapering vessel with one smooth lesion; `noise` scales the reading errors."""
    random = np.random.default_rng(4)
    x = np.arange(n) * STEP_MM
    lumen = lumen_mm2 + taper * x
    lumen = lumen * (1 - lesion_depth * np.exp(-0.5 * ((x - centre_mm) / lesion_sd_mm) ** 2))
    eem = eem_mm2 + 1.5 * taper * x
    out = pd.DataFrame(
        {
            "position_mm": np.round(x, 6),
            "lumen_area_mm2": lumen + noise * 0.3 * random.standard_normal(n),
            "lumen_area_sd_mm2": 0.3,
            "eem_area_mm2": eem + noise * 0.4 * random.standard_normal(n),
            "eem_area_sd_mm2": 0.4,
            "eem_hidden_deg": 0.0,
            "calcium_arc_deg": 0.0,
            "stent_area_mm2": np.nan,
            "stent_area_sd_mm2": np.nan,
            "malapposition_mm": np.nan,
            "n_frames": 6,
            "revisited": False,
            "frame": np.arange(n) * 6 + 1,
            "flags": "",
        }
    )
    for border in ("lumen", "eem"):
        diameter = 2 * np.sqrt(out[f"{border}_area_mm2"] / np.pi)
        out[f"{border}_min_diameter_mm"] = diameter * 0.95
        out[f"{border}_max_diameter_mm"] = diameter * 1.05
    return out


def stented(*, from_mm: float = 20.0, to_mm: float = 40.0, area_mm2: float = 7.0, noise: float = 0.0) -> pd.DataFrame:
    """The same vessel without a lesion but with an even stent."""
    random = np.random.default_rng(5)
    out = table(lesion_depth=0.0, noise=noise)
    inside = out["position_mm"].between(from_mm, to_mm)
    reading = area_mm2 + noise * 0.3 * random.standard_normal(len(out))
    out.loc[inside, "stent_area_mm2"] = reading[inside]
    out.loc[inside, "lumen_area_mm2"] = reading[inside]
    out.loc[inside, "stent_area_sd_mm2"] = 0.3
    out.loc[inside, "malapposition_mm"] = 0.0
    out.loc[inside, "flags"] = "stent"
    return out


def profile(**options: float) -> Profile:
    """`table` as a profile."""
    return profile_from_table(table(**options))  # type: ignore[arg-type]
