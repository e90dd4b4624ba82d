import numpy as np
import pandas as pd
import pytest

from boreline.benchmark.smallest_lumen import smallest_lumens, summarise_smallest


def dip(*, shift_mm: float, factor: float, noise: float = 0.0, sd_mm2: float = 0.05) -> pd.DataFrame:
    """A run of 200 frames over 20 mm with its true MLA, 3 mm2, at 8 mm; the found dip is moved and scaled."""
    position = np.linspace(0.0, 20.0, 201)
    random = np.random.default_rng(3)

    def area(at: float) -> np.ndarray:
        return 8.0 - 5.0 * np.exp(-(((position - at) / 2.5) ** 2))

    return pd.DataFrame(
        {
            "segmenter": "any",
            "case": "vessel/4",
            "difficulty": "typical",
            "structure": "lumen",
            "area_mm2": factor * area(8.0 + shift_mm) + noise * random.standard_normal(201),
            "true_area_mm2": area(8.0),
            "area_sd_mm2": sd_mm2,
            "position_mm": position,
            "correlation_frames": 1.0,
        }
    )


def test_distance_and_area_of_the_site() -> None:
    (row,) = smallest_lumens(dip(shift_mm=0.7, factor=1.02)).to_dict(orient="records")
    assert row["scenario"] == "vessel"
    assert row["mla_distance_mm"] == pytest.approx(0.7, abs=0.11)
    assert row["mla_error_pct"] == pytest.approx(2.0, abs=0.5)
    at_site = 100 * ((8 - 5 * np.exp(-((0.7 / 2.5) ** 2))) / 3 - 1)
    assert row["lumen_at_site_excess_pct"] == pytest.approx(at_site, rel=0.3)


def test_noise_lowers_the_minimum_and_the_correction_takes_it_back() -> None:
    (row,) = smallest_lumens(dip(shift_mm=0.0, factor=1.0, noise=0.3, sd_mm2=0.3)).to_dict(orient="records")
    assert row["mla_uncorrected_error_pct"] < -8
    assert abs(row["mla_error_pct"]) < 0.5 * abs(row["mla_uncorrected_error_pct"])


def test_runs_without_places_are_left_out_and_medians_taken() -> None:
    nowhere = dip(shift_mm=0.0, factor=1.0).assign(case="soft/1", position_mm=np.nan)
    both = pd.concat([nowhere, dip(shift_mm=0.5, factor=1.0), dip(shift_mm=1.5, factor=1.0).assign(case="vessel/5")])
    runs = smallest_lumens(both)
    assert runs["case"].tolist() == ["vessel/4", "vessel/5"]
    (row,) = summarise_smallest(runs, "scenario").to_dict(orient="records")
    assert (row["scenario"], row["runs"]) == ("vessel", 2)
    assert row["mla_distance_median_mm"] == pytest.approx(1.0, abs=0.11)
