"""How well what is found beside lumen and EEM agrees with the truth: stent, malapposition, calcium, guide catheter.

    python benchmarks/segmentation/findings.py reporting --frames 24 --jobs 2 --out findings.json

Words name scenes as in `boreline benchmark segmenters`. Frames in the guide catheter, outside the vessel or blank count
for the guide only.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from boreline import __version__, read_run
from boreline.benchmark.cases import find_cases
from boreline.flags import NOT_VESSEL, Flag, parse_flags
from boreline.geometry import contour_areas_mm2
from boreline.model import Structure
from boreline.segmentation.segmenter import SpeckleSurfaces
from boreline_phantoms import write_scene

LARGE_MM, SMALL_MM = 0.4, 0.2
"""Malapposition that must be found, and what is none."""


def compare(scene):
    """One row per frame: true and found."""
    with TemporaryDirectory(prefix="boreline-") as scratch:
        folder = Path(scratch) / "scene"
        write_scene(scene, folder)
        run = read_run(folder / "run.dcm")
        found = SpeckleSurfaces().segment(run)
        truth = pd.read_csv(folder / "truth" / "frames.csv", keep_default_na=True)
    flags = [parse_flags(cell if isinstance(cell, str) else "") for cell in truth["flags"]]
    return pd.DataFrame(
        {
            "vessel": [not words & NOT_VESSEL for words in flags],
            "in_guide": [Flag.IN_GUIDE in words for words in flags],
            "said_in_guide": [Flag.IN_GUIDE in words for words in found.flags],
            "said_not_vessel": [bool(words & {Flag.IN_GUIDE, Flag.OUTSIDE_VESSEL}) for words in found.flags],
            "stent_mm2": truth["stent_area_mm2"],
            "said_stent_mm2": contour_areas_mm2(found.contours[Structure.STENT], run.calibration),
            "malapposition_mm": truth["malapposition_mm"],
            "said_malapposition_mm": found.malapposition_mm,
            "calcium_arc_deg": truth["calcium_arc_deg"],
            "said_calcium_arc_deg": found.calcium_arc_deg,
        }
    )


def summary(rows):
    """Counts and errors over all frames."""
    vessel = rows[rows["vessel"]]
    stented = vessel[vessel["stent_mm2"].notna()]
    bare = vessel[vessel["stent_mm2"].isna()]
    area_error_pct = 100 * (stented["said_stent_mm2"] / stented["stent_mm2"] - 1).abs()
    off, on = (
        stented[wanted] for wanted in (stented["malapposition_mm"] >= LARGE_MM, stented["malapposition_mm"] < SMALL_MM)
    )
    calcified = vessel[vessel["calcium_arc_deg"] > 0]
    arc_error_deg = (calcified["said_calcium_arc_deg"] - calcified["calcium_arc_deg"]).abs()
    return {
        "boreline": __version__,
        "stented_frames": len(stented),
        "stented_frames_found": int(stented["said_stent_mm2"].notna().sum()),
        "other_frames": len(bare),
        "other_frames_said_stented": int(bare["said_stent_mm2"].notna().sum()),
        "stent_area_error_median_pct": round(float(area_error_pct.median()), 2),
        "stent_area_error_mean_pct": round(float(area_error_pct.mean()), 2),
        "frames_malapposed_by_0.4_mm": len(off),
        "of_those_said_so": int((off["said_malapposition_mm"] >= LARGE_MM).sum()),
        "of_those_said_unknown": int(off["said_malapposition_mm"].isna().sum()),
        "frames_apposed": len(on),
        "of_those_said_malapposed_by_0.4_mm": int((on["said_malapposition_mm"] >= LARGE_MM).sum()),
        "calcified_frames": len(calcified),
        "calcium_arc_error_median_deg": round(float(arc_error_deg.median()), 1),
        "calcium_arc_error_mean_deg": round(float(arc_error_deg.mean()), 1),
        "guide_frames": int(rows["in_guide"].sum()),
        "guide_frames_found": int((rows["in_guide"] & rows["said_in_guide"]).sum()),
        "vessel_frames": len(vessel),
        "vessel_frames_said_elsewhere": int(vessel["said_not_vessel"].sum()),
    }


def main():
    """Measure, print, store."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("words", nargs="+")
    parser.add_argument("--frames", type=int)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    scenes = find_cases(given.words, given.frames)
    with ProcessPoolExecutor(given.jobs) as pool:
        rows = pd.concat(pool.map(compare, scenes), ignore_index=True)
    text = json.dumps({"words": given.words, "frames": given.frames, "runs": len(scenes), **summary(rows)}, indent=2)
    print(text)
    if given.out is not None:
        given.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
