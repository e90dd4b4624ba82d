"""Coverage study: the 95 % intervals of sizing and expansion should contain the truth in 95 of 100 cases.

Simulated vessels with known areas are read with correlated contour errors frame by frame, a shared calibration
error and a shared error of the length scale, then planned and assessed. Half of them are lesions before, half are
stents after implantation (1000 vessels: 500 of each); lesions and stents vary in shape, depth and length. A second
study has lesions only, so focal that their length is a few times what a run can resolve: normal bells with a standard
deviation of 0.3 to 1 mm (half of the depth over 0.7 to 2.4 mm).

    python benchmarks/coverage_of_intervals.py 1000 benchmarks/coverage_of_intervals.json
    python benchmarks/coverage_of_intervals.py 300 benchmarks/coverage_of_focal_lesions.json --focal
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from boreline.expansion.stent import read_stent
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.sites import Side
from boreline.profile.uncertainty import Measured, SharedUncertainty
from boreline.sizing.landing import reference_rows
from boreline.sizing.planning import make_plan

STEP_MM = 0.1
FRAMES_PER_ROW = 6
SHARED = SharedUncertainty(0.02, 0.05, 0.3, 2.0, 3.0)
SD_MM2 = {"lumen": 0.3, "eem": 0.45, "stent": 0.3}
N_DRAWS = 2000


FOCAL_SD_MM = (0.3, 1.0)


def vessel(random: np.random.Generator, *, stented: bool, focal: bool = False) -> dict[str, np.ndarray]:
    """True areas on the grid: a tapering vessel with one lesion, or with one stent."""
    x = np.arange(0, 60, STEP_MM)
    lumen = random.uniform(6.5, 8.5) + random.uniform(0.0, 0.04) * x
    eem = lumen * random.uniform(1.45, 1.7)
    centre = random.uniform(25, 35)
    if stented:
        half = random.uniform(8, 14)
        inside = np.abs(x - centre) <= half
        width = random.uniform(1.5, 4)
        dip = random.uniform(0.3, 2.0) * np.exp(-0.5 * ((x - centre - random.uniform(-4, 4)) / width) ** 2)
        stent = np.where(inside, lumen * random.uniform(0.8, 1.0) - dip, np.nan)
        lumen = np.where(inside, stent, lumen)
        return {"position": x, "lumen": lumen, "eem": eem, "stent": stent}
    if focal:
        shape = np.exp(-0.5 * ((x - centre) / random.uniform(*FOCAL_SD_MM)) ** 2)
    elif random.random() < 0.5:
        shape = np.exp(-0.5 * ((x - centre) / random.uniform(1.5, 4.5)) ** 2)
    else:
        half = random.uniform(4, 10)
        shape = 0.5 * (1 + np.cos(np.pi * np.clip((x - centre) / half, -1, 1)))
    return {"position": x, "lumen": lumen * (1 - random.uniform(0.6, 0.75) * shape), "eem": eem, "stent": x * np.nan}


def reading(truth: dict[str, np.ndarray], random: np.random.Generator) -> Profile:
    """What a segmenter would report: the median of noisy frames per row, with a shared calibration error."""
    n = len(truth["position"])
    scale = 1 / (1 + SHARED.calibration_relative_sd * random.standard_normal()) ** 2
    table: dict[str, object] = {"position_mm": truth["position"], "n_frames": FRAMES_PER_ROW}
    for name, sd in SD_MM2.items():
        table[f"{name}_area_mm2"] = scale * truth[name] + sd * _frame_errors(n, random)
        table[f"{name}_area_sd_mm2"] = np.where(np.isfinite(truth[name]), sd, np.nan)
    return profile_from_table(pd.DataFrame(table))


def _frame_errors(n_rows: int, random: np.random.Generator) -> np.ndarray:
    r = np.exp(-1 / SHARED.area_correlation_frames)
    scores = random.standard_normal(n_rows * FRAMES_PER_ROW + 200)
    chain = lfilter([np.sqrt(1 - r * r)], [1, -r], scores)[200:]
    return np.median(chain.reshape(n_rows, FRAMES_PER_ROW), axis=1)


def study(n: int, seed: int = 1, *, focal: bool = False) -> dict[str, dict[str, float]]:
    """Coverage, mean error and mean error of the raw reading per quantity, over `n` vessels."""
    random = np.random.default_rng(seed)
    hits: dict[str, list[tuple[bool, float, float]]] = {}
    for index in range(n):
        stented = index % 2 == 1 and not focal
        truth = vessel(random, stented=stented, focal=focal)
        profile = reading(truth, random)
        cases = _stent_cases(truth, profile) if stented else _lesion_cases(truth, profile, random)
        for name, (measured, true) in cases.items():
            interval = measured.interval
            assert interval is not None
            inside = interval[0] <= true <= interval[1]
            hits.setdefault(name, []).append((inside, measured.middle - true, measured.value - true))
    return {
        name: {
            "n": len(rows),
            "coverage": round(float(np.mean([row[0] for row in rows])), 4),
            "bias_corrected": round(float(np.mean([row[1] for row in rows])), 4),
            "bias_as_read": round(float(np.mean([row[2] for row in rows])), 4),
        }
        for name, rows in hits.items()
    }


def _lesion_cases(
    truth: dict[str, np.ndarray], profile: Profile, random: np.random.Generator
) -> dict[str, tuple[Measured, float]]:
    plan = make_plan(profile, SHARED, n_draws=N_DRAWS)
    lesion, length = plan.lesion, plan.length
    if lesion is None or length is None:
        return {}
    rows = slice(lesion.first_row, lesion.last_row + 1)
    at = lesion.minimum.row
    out = {
        "mla_mm2": (plan.quantities["mla_mm2"], float(truth["lumen"][rows].min())),
        "mla_burden_pct": (
            plan.quantities["mla_burden_pct"],
            float(100 * (1 - truth["lumen"][at] / truth["eem"][at])),
        ),
        "length_mm": (length, _true_length_mm(length.value, random)),
    }
    for side, landing in plan.landings.items():
        candidates = reference_rows(profile, landing.site.row, side)
        out[f"{side.value}_lumen_mm2"] = (
            plan.quantities[f"{side.value}_lumen_mm2"],
            float(truth["lumen"][candidates].max()),
        )
    return out


def _true_length_mm(read_mm: float, random: np.random.Generator) -> float:
    """A true length that this axis would have read as `read_mm`: scale and local errors, drawn independently."""
    together = np.exp(-read_mm / SHARED.axis_correlation_mm)
    local = SHARED.axis_local_sd_mm * np.sqrt(2 * (1 - together)) * random.standard_normal()
    return float(read_mm * (1 + SHARED.axis_scale_relative_sd * random.standard_normal()) + local)


def _stent_cases(truth: dict[str, np.ndarray], profile: Profile) -> dict[str, tuple[Measured, float]]:
    inside = np.flatnonzero(np.isfinite(truth["stent"]))
    first, last = int(inside[0]), int(inside[-1])
    reading_ = read_stent(profile, SHARED, first, last, n_draws=N_DRAWS)
    true_msa = float(np.nanmin(truth["stent"]))
    reach = round(5 / STEP_MM)
    true_references = [
        float(truth["lumen"][first - reach : first].max()),
        float(truth["lumen"][last + 1 : last + 1 + reach].max()),
    ]
    msa = reading_.corrected["msa_mm2"]
    sides = [reading_.corrected[f"{side.value}_lumen_mm2"] for side in Side]
    raw = reading_.read
    assert msa.draws is not None
    mean_draws = sum(side.draws for side in sides if side.draws is not None) / 2
    expansion = Measured(
        100 * raw["msa_mm2"].value / np.mean([raw[f"{side.value}_lumen_mm2"].value for side in Side]),
        100 * msa.draws / mean_draws,
    )
    return {
        "msa_mm2": (Measured(raw["msa_mm2"].value, msa.draws), true_msa),
        "expansion_pct": (expansion, 100 * true_msa / float(np.mean(true_references))),
    }


if __name__ == "__main__":
    result = study(int(sys.argv[1]), focal="--focal" in sys.argv)
    text = json.dumps(result, indent=2)
    print(text)
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(text + "\n", encoding="utf-8")
