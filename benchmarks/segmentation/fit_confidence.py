"""Fit what `boreline.segmentation.confidence` says: the chance of Jaccard >= 0.9 and the uncertainty of the area.

Only on tuning scenes. Every run weighs the same, however many frames it has. Prints the coefficients as the data file
`pipeline/boreline/segmentation/confidence.json`; `--write` stores it.

    python benchmarks/segmentation/fit_confidence.py tuning --frames 40 --write

Folders of labelled tuning runs, as `boreline phantom` writes them, do in place of scenes.
"""

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import t as student

from boreline.benchmark.cases import MEASURED, find_cases, open_case
from boreline.benchmark.segmenters import COVERAGE_FACTOR, FOUND, GOOD_JACCARD, score
from boreline.segmentation import confidence, report
from boreline.segmentation.segmenter import SpeckleSurfaces

RIDGE = 0.005
DATA = Path(confidence.__file__).with_name("confidence.json")


def gather(words, frames):
    """Per structure: observations, Jaccard, relative area error and weight of each frame with both contours."""
    seen = {structure: [] for structure in MEASURED}
    kept = {}

    def keep(*inputs):
        kept["x"] = confidence.observations(*inputs)
        return confidence.judge(*inputs)

    report.judge = keep
    for case in find_cases(words, frames):
        with open_case(case) as labelled:
            found = SpeckleSurfaces().segment(labelled.run)
            for structure in MEASURED:
                rows = score(labelled, found, structure)
                rows = rows[rows["status"] == FOUND]
                if len(rows):
                    x = kept["x"][structure][rows["frame"].to_numpy() - 1]
                    weight = np.full(len(rows), 1.0 / len(rows))
                    error = rows["area_mm2"].to_numpy() / rows["true_area_mm2"].to_numpy() - 1
                    seen[structure].append((x, rows["jaccard"].to_numpy(), error / (1 + error), weight))
            print(labelled.name, flush=True)
    return {s: [np.concatenate(part) for part in zip(*rows, strict=True)] for s, rows in seen.items()}


def fit_chance(x, jaccard, weight):
    """Logistic regression with a ridge; an observation may only tell what it should: trouble lowers the chance."""
    good = jaccard >= GOOD_JACCARD
    scale = np.maximum(x.std(axis=0), 1e-6)
    scale[0] = 1.0
    z = x / scale

    def loss(b):
        u = z @ b
        return np.average(np.logaddexp(0, u) - good * u, weights=weight) + RIDGE * np.sum(b[1:] ** 2)

    return minimize(loss, np.zeros(x.shape[1]), method="L-BFGS-B", bounds=bounds(-1)).x / scale


def fit_spread(x, error, weight):
    """Log of the relative uncertainty by Student's t with 3 degrees of freedom, then scaled to cover 95 %."""
    scale = np.maximum(x.std(axis=0), 1e-6)
    scale[0] = 1.0
    z = x / scale

    def loss(b):
        log_sd = np.clip(z @ b, -7, 1)
        fit = np.average(log_sd - student.logpdf(error / np.exp(log_sd), 3), weights=weight)
        return fit + RIDGE * np.sum(b[1:] ** 2)

    start = np.zeros(x.shape[1])
    start[0] = np.log(0.02)
    b = minimize(loss, start, method="L-BFGS-B", bounds=bounds(1)).x
    ratio = np.abs(error) / np.exp(np.clip(z @ b, -7, 1))
    order = np.argsort(ratio)
    reach = ratio[order][np.searchsorted(np.cumsum(weight[order]) / weight.sum(), 0.95)]
    b[0] += np.log(reach / COVERAGE_FACTOR)
    return b / scale


def bounds(sign):
    """All observations but the constant point to trouble; the divergence of blood and wall points away from it."""
    trouble = (0, None) if sign > 0 else (None, 0)
    relief = (None, 0) if sign > 0 else (0, None)
    return [(None, None)] + [relief if "divergence" in name else trouble for name in confidence.OBSERVATIONS[1:]]


def main():
    """Gather, fit, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="+")
    parser.add_argument("--frames", type=int)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    data = gather(given.words, given.frames)
    result = {
        "origin": f"tuning scenes, {given.frames or 'all'} frames each, fitted {datetime.now(UTC):%Y-%m-%d}",
        "observations": list(confidence.OBSERVATIONS),
        "log_odds": {},
        "log_relative_area_sd": {},
    }
    for structure, (x, jaccard, error, weight) in data.items():
        result["log_odds"][structure.value] = np.round(fit_chance(x, jaccard, weight), 4).tolist()
        result["log_relative_area_sd"][structure.value] = np.round(fit_spread(x, error, weight), 4).tolist()
        print(structure.value, "frames", len(x), "bad", int((jaccard < GOOD_JACCARD).sum()))
    text = json.dumps(result, indent=2) + "\n"
    print(text)
    if given.write:
        DATA.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
