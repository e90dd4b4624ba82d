"""A vessel in one page: segments between major branches, lesions, volumes, calcium, and what was left out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from boreline.flags import Flag
from boreline.model import BoolArray, FloatArray, JsonValue
from boreline.profile.calcium import summarise_calcium
from boreline.profile.indices import area_stenosis_pct, eccentricity, remodelling_class, remodelling_index
from boreline.profile.lesions import Lesion, find_plaque_lesions, find_stenoses
from boreline.profile.record import Profile, stretches
from boreline.profile.volumes import VolumeRule, most_diseased_window, segment_volumes


def summarise_profile(profile: Profile) -> dict[str, JsonValue]:
    """Everything that the definitions give for one profile, ready for JSON (NaN as None).

    References, denominators and volume rules are named beside their numbers. Lesions by both definitions are listed,
    because papers use either.
    """
    window = most_diseased_window(profile.position_mm, profile.plaque_burden_pct, profile.eem_measured)
    return {
        "from_mm": float(profile.position_mm[0]),
        "to_mm": float(profile.position_mm[-1]),
        "segments": [
            _segment(profile, start, stop) for start, stop in stretches(~profile.major_branch) if stop - start > 1
        ],
        "stenoses": [_lesion(profile, lesion) for lesion in find_stenoses(profile)],
        "plaque_lesions": [_lesion(profile, lesion) for lesion in find_plaque_lesions(profile)],
        "most_diseased_10_mm": None
        if window is None
        else {"from_mm": window[0], "to_mm": window[1], "mean_plaque_burden_pct": window[2]},
        "calcium": summarise_calcium(profile, 0, profile.n_rows - 1).as_json(),
        "excluded": exclusions(profile),
    }


def exclusions(profile: Profile) -> dict[str, JsonValue]:
    """Length in mm that took no part in something, by reason."""
    step = profile.step_mm
    return {
        "lumen_not_measured_mm": _length(~np.isfinite(profile.lumen_area_mm2), step),
        "interpolated_between_frames_mm": _length(profile.n_frames == 0, step),
        "eem_not_measured_mm": _length(profile.measured & ~np.isfinite(profile.eem_area_mm2), step),
        "branch_no_reference_mm": _length(profile.branch, step),
        "rotation_uneven_mm": _length(profile.flagged(Flag.ROTATION_UNEVEN), step),
        "lumen_doubtful_mm": _length(profile.flagged(Flag.LUMEN_DOUBTFUL), step),
        "eem_doubtful_mm": _length(profile.flagged(Flag.EEM_DOUBTFUL), step),
    }


def _segment(profile: Profile, start: int, stop: int) -> dict[str, JsonValue]:
    """One segment between major branches: means, extremes and volumes by both rules."""
    rows = slice(start, stop)
    lumen, burden = profile.lumen_area_mm2[rows], profile.plaque_burden_pct[rows]
    out: dict[str, JsonValue] = {
        "from_mm": float(profile.position_mm[start]),
        "to_mm": float(profile.position_mm[stop - 1]),
        "mean_lumen_area_mm2": _mean(lumen),
        "smallest_lumen_area_mm2": _extreme(lumen, np.nanmin),
        "mean_eem_area_mm2": _mean(profile.eem_area_mm2[rows]),
        "mean_plaque_burden_pct": _mean(burden),
        "largest_plaque_burden_pct": _extreme(burden, np.nanmax),
        "mean_stent_area_mm2": _mean(profile.stent_area_mm2[rows]),
    }
    for rule in VolumeRule:
        volumes = segment_volumes(profile.position_mm[rows], lumen, profile.eem_area_mm2[rows], rule)
        out[f"volumes_{rule.value}"] = {
            "lumen_mm3": _plain(volumes.lumen_mm3),
            "vessel_mm3": _plain(volumes.vessel_mm3),
            "total_atheroma_mm3": _plain(volumes.plaque_mm3),
            "percent_atheroma_pct": _plain(volumes.percent_atheroma_volume),
            "mean_atheroma_area_mm2": _plain(volumes.mean_plaque_area_mm2),
            "interpolated_mm": volumes.interpolated_mm,
        }
    return out


def _lesion(profile: Profile, lesion: Lesion) -> dict[str, JsonValue]:
    minimum = lesion.minimum
    sides = {"distal": lesion.distal_reference, "proximal": lesion.proximal_reference}
    against: dict[str, JsonValue] = {}
    for name, site in sides.items():
        if site is None:
            continue
        index = float(remodelling_index(minimum.eem_area_mm2, site.eem_area_mm2))
        kind = remodelling_class(index)
        against[name] = {
            "reference": site.as_json(),
            "area_stenosis_pct": _plain(float(area_stenosis_pct(minimum.lumen_area_mm2, site.lumen_area_mm2))),
            "remodelling_index": _plain(index),
            "remodelling": None if kind is None else kind.value,
        }
    mean = lesion.reference_lumen_mm2
    return {
        "from_mm": float(profile.position_mm[lesion.first_row]),
        "to_mm": float(profile.position_mm[lesion.last_row]),
        "length_mm": lesion.length_mm(profile),
        "mla": minimum.as_json(),
        "mld_in_mla_frame_mm": _plain(minimum.lumen_min_diameter_mm),
        "eccentricity_(Dmax-Dmin)/Dmax": _plain(
            float(eccentricity(minimum.lumen_min_diameter_mm, minimum.lumen_max_diameter_mm))
        ),
        "area_stenosis_against_mean_pct": None
        if mean is None
        else _plain(float(area_stenosis_pct(minimum.lumen_area_mm2, mean))),
        "against": against,
    }


def _length(mask: BoolArray, step_mm: float) -> float:
    return round(float(np.sum(mask)) * step_mm, 6)


def _mean(values: FloatArray) -> float | None:
    return float(np.nanmean(values)) if np.any(np.isfinite(values)) else None


def _extreme(values: FloatArray, pick: Callable[[FloatArray], float]) -> float | None:
    return float(pick(values)) if np.any(np.isfinite(values)) else None


def _plain(value: float) -> float | None:
    return value if np.isfinite(value) else None
