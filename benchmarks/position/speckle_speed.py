"""Can speckle tell how fast a transducer was withdrawn? Decorrelation between frames against their true spacing.

    python benchmarks/position/speckle_speed.py            a few minutes

Best case on purpose: the wall is taken from the truth, and the curve that turns likeness into distance is made on
other synthetic runs of the same frequency. Writes `speckle_speed.json` beside itself.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from boreline.model import FloatArray, Structure
from boreline_phantoms.random_scenes import Level, random_scene
from boreline_phantoms.records import Acquisition, Scene
from boreline_phantoms.vessel import VesselContent

HERE = Path(__file__).parent
FREQUENCIES_MHZ = (20.0, 40.0, 60.0)
CALIBRATION_SEEDS = (501, 502)
TEST_SEEDS = (511, 512, 513)
LAGS = (1, 2, 3, 5, 8, 12, 18, 26)
TEST_LAG = 2
RATE_HZ = 30.0
FARTHEST_MM = 0.3
_RANGE_MM = 0.02  # of the polar picture; one degree the other way
_BLOCK = (24, 24)  # degrees, ranges
_SEARCH = (6, 8)


def the_scene(seed: int, mhz: float, *, hand: bool) -> Scene:
    """A typical random vessel: pulled in steps of 0.01 mm for the curve, or by hand at about 1 mm/s for the test."""
    scene = random_scene(seed, level=Level.TYPICAL)
    assert isinstance(scene.content, VesselContent)
    content = replace(scene.content, motion=replace(scene.content.motion, hand=hand))
    frames, speed_mm_s = (150, 1.0) if hand else (54, 0.01 * RATE_HZ)
    return replace(
        scene,
        content=content,
        mhz=mhz,
        n_frames=frames,
        acquisition=Acquisition(frame_rate_hz=RATE_HZ, speed_mm_s=speed_mm_s),
    )


def _radii_mm(polygon_px: FloatArray, centre_px: FloatArray, mm_per_px: FloatArray) -> FloatArray:
    """Border's distance from the transducer at every degree."""
    x, y = ((polygon_px - centre_px) * mm_per_px).T
    angle, radius = np.degrees(np.arctan2(y, x)) % 360, np.hypot(x, y)
    order = np.argsort(angle)
    return np.interp(np.arange(360.0), angle[order], radius[order], period=360)


def likeness_of_pairs(scene: Scene, lags: tuple[int, ...]) -> pd.DataFrame:
    """Median likeness of wall speckle and true distance of the pairs of frames at these lags."""
    truth = scene.truth()
    centre, mm_per_px = scene.picture.centre_px, scene.picture.mm_per_px
    ranges = np.arange(0.3, 4.5, _RANGE_MM)
    directions = np.radians(np.arange(360.0))
    map_x = (centre[0] + np.outer(np.cos(directions), ranges) / mm_per_px[0]).astype(np.float32)
    map_y = (centre[1] + np.outer(np.sin(directions), ranges) / mm_per_px[1]).astype(np.float32)
    polar = [cv2.remap(frame.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR) for frame in scene.frames()]
    rows = []
    for first in range(scene.n_frames):
        borders = [truth.contours[structure].polygon(first) for structure in (Structure.LUMEN, Structure.EEM)]
        if not all(len(border) for border in borders):
            continue
        inner, outer = (_radii_mm(border, centre, mm_per_px) for border in borders)
        for lag in lags:
            if first + lag >= scene.n_frames:
                continue
            like = _blocks(polar[first], polar[first + lag], (inner - ranges[0]) / _RANGE_MM, outer)
            if like:
                apart = abs(truth.motion["z_mm"][first + lag] - truth.motion["z_mm"][first])
                rows.append({"first": first, "lag": lag, "apart_mm": apart, "likeness": float(np.median(like))})
    return pd.DataFrame(rows)


def _blocks(a: FloatArray, b: FloatArray, inner: FloatArray, outer_mm: FloatArray) -> list[float]:
    """Best correlation of blocks of wall within a small search, which takes off rotation and pulsation."""
    degrees, deep = _BLOCK
    turn, shift = _SEARCH
    found = []
    for start in range(turn, 360 - degrees - turn, degrees):
        middle = start + degrees // 2
        first = int(inner[middle]) + 4
        last = min(int((outer_mm[middle] + 0.5 - 0.3) / _RANGE_MM), a.shape[1] - deep - shift)
        for near in range(max(first, shift), last - deep, deep):
            block = a[start : start + degrees, near : near + deep]
            if block.std() < 4.0 or block.mean() < 12.0:  # shadow or bare noise
                continue
            where = b[start - turn : start + degrees + turn, near - shift : near + deep + shift]
            found.append(float(cv2.matchTemplate(where, block, cv2.TM_CCOEFF_NORMED).max()))
    return found


def distance_curve(pairs: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Likeness, ascending, and the distance there, which never grows with it."""
    near = pairs[pairs["apart_mm"] <= FARTHEST_MM].sort_values("likeness")
    return near["likeness"].to_numpy(), isotonic_regression(near["apart_mm"], increasing=False).x


def speed_errors(scene: Scene, pairs: pd.DataFrame, curve: tuple[FloatArray, FloatArray]) -> dict[str, object]:
    """Speed per second and length of a hand pullback, against the way travelled and against the way withdrawn."""
    step = np.interp(pairs["likeness"], *curve) / TEST_LAG
    whole = pairs["apart_mm"].to_numpy() / TEST_LAG
    second = (pairs["first"].to_numpy() / RATE_HZ).astype(int)
    read, true, frames = (np.bincount(second, weights=values) for values in (step, whole, np.ones_like(step)))
    full = frames == round(RATE_HZ)
    withdrawn = abs(np.diff(scene.truth().motion["commanded_mm"])[pairs["first"]].sum())
    return {
        "seed": scene.seed,
        "mhz": scene.mhz,
        "speed_error_pct": (100 * (read[full] / true[full] - 1)).round(1).tolist(),
        "way_error_pct": round(100 * (float(step.sum() / whole.sum()) - 1), 1),
        "withdrawn_error_pct": round(100 * (float(step.sum() / withdrawn) - 1), 1),
        "withdrawn_mm": round(float(withdrawn), 2),
        "way_mm": round(float(whole.sum()), 2),
        "rank_correlation": round(float(pairs["likeness"].corr(pairs["apart_mm"], method="spearman")), 2),
    }


def main() -> None:
    """Measure and write the results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=HERE)
    arguments = parser.parse_args()
    results = []
    for mhz in FREQUENCIES_MHZ:
        seen = [likeness_of_pairs(the_scene(seed, mhz, hand=False), LAGS) for seed in CALIBRATION_SEEDS]
        curve = distance_curve(pd.concat(seen))
        for seed in TEST_SEEDS:
            scene = the_scene(seed, mhz, hand=True)
            results.append(speed_errors(scene, likeness_of_pairs(scene, (TEST_LAG,)), curve))
            print(results[-1], flush=True)
    speeds = np.abs(np.concatenate([row["speed_error_pct"] for row in results]))
    summary = {
        "median_absolute_speed_error_pct": float(np.median(speeds)),
        "p90_absolute_speed_error_pct": float(np.percentile(speeds, 90)),
        **{
            f"mean_absolute_{name}": float(np.mean([abs(row[name]) for row in results]))
            for name in ("way_error_pct", "withdrawn_error_pct")
        },
    }
    text = json.dumps({"summary": summary, "runs": results}, indent=1)
    (arguments.out / "speckle_speed.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
