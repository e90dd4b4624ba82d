"""A small run of the coverage study; the full one (500 lesions, 500 stents) is saved beside its script."""

import importlib.util
import json
from pathlib import Path

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def test_intervals_contain_the_truth_and_corrected_values_are_less_biased() -> None:
    spec = importlib.util.spec_from_file_location("coverage", BENCHMARKS / "coverage_of_intervals.py")
    assert spec is not None
    assert spec.loader is not None
    study = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(study)
    got = study.study(30, seed=3)
    assert set(got) >= {"mla_mm2", "mla_burden_pct", "length_mm", "msa_mm2", "expansion_pct"}
    for name, row in got.items():
        assert row["coverage"] >= 12 / 15, name  # at 95 % each, fewer are seen once in 200 studies
    for name in ("mla_mm2", "msa_mm2", "expansion_pct", "mla_burden_pct"):
        assert abs(got[name]["bias_corrected"]) < abs(got[name]["bias_as_read"]) / 2


def test_the_saved_study_keeps_its_promise() -> None:
    saved = json.loads((BENCHMARKS / "coverage_of_intervals.json").read_text())
    for name in ("mla_mm2", "mla_burden_pct", "msa_mm2", "length_mm", "expansion_pct"):
        assert saved[name]["n"] == 500
        assert 0.92 <= saved[name]["coverage"] <= 0.98


def test_the_study_of_focal_lesions_is_saved() -> None:
    """The MLA of lesions near the resolution misses the goal of 92 % by little; the rest keeps it."""
    saved = json.loads((BENCHMARKS / "coverage_of_focal_lesions.json").read_text())
    assert saved["mla_mm2"]["coverage"] >= 0.90
    for name in ("mla_burden_pct", "length_mm", "distal_lumen_mm2", "proximal_lumen_mm2"):
        assert 0.92 <= saved[name]["coverage"] <= 0.98, name
