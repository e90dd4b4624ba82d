"""Fit what `boreline.segmentation.confidence` says: the chance of Jaccard >= 0.9 and the uncertainty of the area.

Only on tuning scenes. Every run weighs the same, however many frames it has. First each eighth of the runs is judged by
coefficients fitted to the others, and what comes out is printed per difficulty; then all runs are fitted together.
Prints the coefficients as the data file `pipeline/boreline/segmentation/confidence.json`; `--write` stores it.

    python benchmarks/segmentation/fit_confidence.py tuning --frames 40 --jobs 2 --write

Folders of labelled tuning runs, as `boreline phantom` writes them, do in place of scenes; a file `tag` in one names its
difficulty.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from boreline.benchmark.cases import MEASURED, find_cases, open_case
from boreline.benchmark.segmenters import (
    COVERAGE_FACTOR,
    FOUND,
    GOOD_JACCARD,
    bad_among_least_certain,
    coverage_pct,
    score,
)
from boreline.segmentation import confidence, report
from boreline.segmentation.segmenter import SpeckleSurfaces

RIDGE = 0.005
COVERED = 0.96
"""A little more than 95 %: runs that were not fitted turn out less well covered."""
STUDENT = 3
FOLDS = 8
DATA = Path(confidence.__file__).with_name("confidence.json")


@dataclass(frozen=True)
class Seen:
    """Frames of one run with both contours: observations (n, k), and the rows of `segmenters.score`."""

    x: np.ndarray
    rows: pd.DataFrame

    @property
    def jaccard(self):
        """Jaccard index of each frame."""
        return self.rows["jaccard"].to_numpy()

    @property
    def error(self):
        """Error of the area over the area found."""
        return 1.0 - self.rows["true_area_mm2"].to_numpy() / self.rows["area_mm2"].to_numpy()


def gather(case):
    """Per structure: what is seen of a run, and how good it is."""
    kept = {}

    def keep(*inputs):
        kept["x"] = confidence.observations(*inputs)
        return confidence.judge(*inputs)

    report.judge = keep
    confidence.fitted = untold
    seen = {}
    with open_case(case) as labelled:
        found = SpeckleSurfaces().segment(labelled.run)
        tag = case / "tag" if isinstance(case, Path) else None
        for structure in MEASURED:
            rows = score(labelled, found, structure)
            rows = rows[rows["status"] == FOUND]
            if tag is not None and tag.is_file():
                rows = rows.assign(difficulty=tag.read_text(encoding="utf-8").strip())
            if len(rows):
                seen[structure] = Seen(kept["x"][structure][rows["frame"].to_numpy() - 1], rows)
    return seen


def untold():
    """Coefficients of 0: what is said while gathering is not used, and the stored ones may be of another length."""
    nothing = {structure.value: [0.0] * len(confidence.OBSERVATIONS) for structure in MEASURED}
    return {"log_odds": nothing, "log_relative_area_sd": nothing}


def joined(runs):
    """Observations, Jaccard, error and weight of all frames."""
    weight = [np.full(len(run.x), 1.0 / len(run.x)) for run in runs]
    parts = [run.x for run in runs], [run.jaccard for run in runs], [run.error for run in runs], weight
    return tuple(np.concatenate(part) for part in parts)


def fit_chance(x, jaccard, weight):
    """Logistic regression with a ridge; an observation may only tell what it should: trouble lowers the chance."""
    good = jaccard >= GOOD_JACCARD

    def loss(z, b):
        u = z @ b
        chance = 1.0 / (1.0 + np.exp(-np.clip(u, -30, 30)))
        return np.logaddexp(0, u) - good * u, chance - good

    return fitted_to(x, weight, loss, -1, 0.0)


def fit_spread(x, error, weight):
    """Log of the relative uncertainty by Student's t, then scaled to cover a little more than 95 %."""

    def loss(z, b):
        log_sd = np.clip(z @ b, -7, 1)
        square = (error / np.exp(log_sd)) ** 2
        slope = 1.0 - (STUDENT + 1) * square / (STUDENT + square)
        return log_sd + (STUDENT + 1) / 2 * np.log1p(square / STUDENT), slope

    b = fitted_to(x, weight, loss, 1, np.log(0.02))
    ratio = np.abs(error) / np.exp(np.clip(x @ b, -7, 1))
    order = np.argsort(ratio)
    reach = ratio[order][np.searchsorted(np.cumsum(weight[order]) / weight.sum(), COVERED)]
    b[0] += np.log(reach / COVERAGE_FACTOR)
    return b


def fitted_to(x, weight, loss, sign, constant):
    """Least weighted loss with a ridge; `loss` gives each frame's and its slope along the linear predictor."""
    scale = np.maximum(x.std(axis=0), 1e-6)
    scale[0] = 1.0
    z = x / scale
    ridge = np.full(x.shape[1], RIDGE)
    ridge[0] = 0.0
    share = weight / weight.sum()

    def total(b):
        values, slopes = loss(z, b)
        return share @ values + ridge @ b**2, z.T @ (share * slopes) + 2 * ridge * b

    start = np.zeros(x.shape[1])
    start[0] = constant
    return minimize(total, start, jac=True, method="L-BFGS-B", bounds=bounds(sign)).x / scale


def bounds(sign):
    """All observations but the constant point to trouble, those of a border that stands out away from it.

    What the halo hides may do either: it is not seen, but cannot lie far.
    """
    trouble = (0, None) if sign > 0 else (None, 0)
    relief = (None, 0) if sign > 0 else (0, None)
    either = (None, None)
    return [either] + [
        relief if name.startswith(("divergence", "step", "votes")) else either if "under the halo" in name else trouble
        for name in confidence.OBSERVATIONS[1:]
    ]


def cross_validated(runs):
    """Rows of all runs with the confidence and uncertainty that the fit to other runs states; astray frames alike."""
    fold = np.random.default_rng(1).permutation(len(runs)) % FOLDS
    judged = []
    for k in range(FOLDS):
        x, jaccard, error, weight = joined([run for run, own in zip(runs, fold, strict=True) if own != k])
        odds, log_sd = fit_chance(x, jaccard, weight), fit_spread(x, error, weight)
        for run in (run for run, own in zip(runs, fold, strict=True) if own == k):
            chance = 1.0 / (1.0 + np.exp(-np.clip(run.x @ odds, -30, 30)))
            area_sd_mm2 = confidence.relative_sd(run.x @ log_sd) * run.rows["area_mm2"]
            judged.append(run.rows.assign(confidence=chance, area_sd_mm2=area_sd_mm2))
    return pd.concat(judged, ignore_index=True)


def tell(structure, rows):
    """Print how the judgement of runs not fitted turns out."""
    for difficulty, group in [*rows.groupby("difficulty"), ("all", rows)]:
        relative = (group["area_sd_mm2"] / group["area_mm2"]).median()
        print(
            f"{structure.value:6} {difficulty:10} runs {group['case'].nunique():4} "
            f"bad {100 * (group['jaccard'] < GOOD_JACCARD).mean():5.1f} %, among the least certain fifth "
            f"{100 * bad_among_least_certain(group):5.1f} %; inside 95 % interval {coverage_pct(group):5.1f} %; "
            f"sd / area {100 * relative:5.2f} %"
        )


def main():
    """Gather, try, fit, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("words", nargs="+")
    parser.add_argument("--frames", type=int)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    cases = find_cases(given.words, given.frames)
    with ProcessPoolExecutor(given.jobs) as pool:
        gathered = list(pool.map(gather, cases))
    result = {
        "origin": f"{len(cases)} tuning runs, {given.frames or 'all'} frames each, fitted {datetime.now(UTC):%Y-%m-%d}",
        "observations": list(confidence.OBSERVATIONS),
        "log_odds": {},
        "log_relative_area_sd": {},
    }
    for structure in MEASURED:
        runs = [seen[structure] for seen in gathered if structure in seen]
        tell(structure, cross_validated(runs))
        x, jaccard, error, weight = joined(runs)
        result["log_odds"][structure.value] = np.round(fit_chance(x, jaccard, weight), 4).tolist()
        result["log_relative_area_sd"][structure.value] = np.round(fit_spread(x, error, weight), 4).tolist()
    text = json.dumps(result, indent=2) + "\n"
    print(text)
    if given.write:
        DATA.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
