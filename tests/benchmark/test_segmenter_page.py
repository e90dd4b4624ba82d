import numpy as np
import pandas as pd
import pytest

from boreline.benchmark.segmenter_page import page
from boreline.benchmark.segmenters import bad_among_least_certain, coverage_pct, reliability


def frames() -> pd.DataFrame:
    """Fifty frames stated at 0.25 of which 10 are good, and fifty stated at 0.95 of which 45 are."""
    jaccard = np.r_[np.full(10, 0.95), np.full(40, 0.5), np.full(45, 0.95), np.full(5, 0.5)]
    return pd.DataFrame(
        {
            "segmenter": "any",
            "structure": "lumen",
            "status": "found",
            "jaccard": jaccard,
            "confidence": np.repeat([0.25, 0.95], 50),
            "area_mm2": 5.0,
            "true_area_mm2": np.repeat([5.0, 5.2], 50),
            "area_sd_mm2": 0.1,
        }
    )


def test_the_curve_shows_stated_against_seen() -> None:
    curve = reliability(frames())
    assert curve["stated"].tolist() == pytest.approx([0.25, 0.95])
    assert curve["seen"].tolist() == pytest.approx([0.2, 0.9])
    assert curve["frames"].tolist() == [50, 50]


def test_the_page_draws_it() -> None:
    text = page(frames(), {"By difficulty": pd.DataFrame({"runs": [2]})}, "Heading")
    assert text.count("<polyline") == 1
    assert "cx='55.0' cy='176.0'" in text  # 0.25 to the right and 0.2 upwards of 220
    assert "By difficulty" in text


def test_ranking_and_coverage() -> None:
    assert bad_among_least_certain(frames()) == pytest.approx(10 / 20)
    assert coverage_pct(frames()) == pytest.approx(50.0)
