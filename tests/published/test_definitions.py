"""Worked examples of areas, indices and volumes, computed by hand from the defining formulas."""

import numpy as np
import pytest
from scipy.integrate import trapezoid

from boreline.profile.indices import (
    Remodelling,
    area_stenosis_pct,
    diameter_of_area_mm,
    eccentricity,
    plaque_burden_pct,
    remodelling_class,
    remodelling_index,
    smallest_symmetry_ratio,
    symmetry_ratio,
    whole_stent_ratio,
)
from boreline.profile.volumes import VolumeRule, segment_volumes


def test_area_stenosis_is_not_plaque_burden() -> None:
    """MLA 2.9, mean reference 8.7, EEM at the MLA 14.5 mm2: 66.7 % and 80.0 %."""
    assert float(area_stenosis_pct(2.9, 8.7)) == pytest.approx(66.7, abs=0.05)
    assert float(plaque_burden_pct(2.9, 14.5)) == pytest.approx(80.0)


@pytest.mark.parametrize(
    ("reference_mm2", "index", "kind"),
    [(16.0, 0.938, Remodelling.NEGATIVE), (13.0, 1.154, Remodelling.POSITIVE), (14.5, 1.034, Remodelling.INTERMEDIATE)],
)
def test_remodelling_depends_on_the_reference(reference_mm2: float, index: float, kind: Remodelling) -> None:
    got = float(remodelling_index(15.0, reference_mm2))
    assert got == pytest.approx(index, abs=5e-4)
    assert remodelling_class(got) is kind


def test_no_index_no_class() -> None:
    assert np.isnan(remodelling_index(15.0, 0.0))
    assert remodelling_class(float("nan")) is None


def test_meanings_of_symmetry_by_formula() -> None:
    """DICOM PS3.16 (Dmax - Dmin) / Dmax; de Jaegere 1998 Dmin / Dmax; Fujimura 2021 two more."""
    shortest, longest = np.array([2.9, 2.8, 3.6]), np.array([3.21, 3.0, 3.75])
    assert eccentricity(2.9, 3.21) == pytest.approx(1 - 2.9 / 3.21)
    assert symmetry_ratio(2.9, 3.21) == pytest.approx(0.903, abs=5e-4)
    assert smallest_symmetry_ratio(shortest, longest) == pytest.approx(2.9 / 3.21)
    assert whole_stent_ratio(shortest, longest) == pytest.approx(0.747, abs=5e-4)
    nothing = np.full(3, np.nan)
    assert np.isnan(smallest_symmetry_ratio(nothing, nothing))
    assert np.isnan(whole_stent_ratio(nothing, nothing))


@pytest.mark.parametrize(("area_mm2", "diameter_mm"), [(7.60, 3.11), (7.83, 3.16), (7.9475, 3.18)])
def test_equivalent_diameters(area_mm2: float, diameter_mm: float) -> None:
    assert float(diameter_of_area_mm(area_mm2)) == pytest.approx(diameter_mm, abs=5e-3)


EEM = np.array([14.0, 15, 16, 15, 14])
LUMEN = np.array([8.0, 7, 6, 7, 9])


def test_disc_volumes() -> None:
    """P = 6, 8, 10, 8, 5 at 1 mm: TAV 37.0 mm3, PAV 50.00 % (a ratio of sums, not the mean burden of 49.55 %)."""
    volumes = segment_volumes(np.arange(5.0), LUMEN, EEM, VolumeRule.DISC)
    assert volumes.plaque_mm3 == pytest.approx(37.0)
    assert volumes.percent_atheroma_volume == pytest.approx(50.0)
    assert float(plaque_burden_pct(LUMEN, EEM).mean()) == pytest.approx(49.55, abs=5e-3)
    assert volumes.length_mm == pytest.approx(5.0)
    assert volumes.mean_plaque_area_mm2 * 40 == pytest.approx(296.0)  # for a median length of 40 mm


def test_trapezoid_volumes() -> None:
    """The same sections: TAV 31.5, vessel 60.0 mm3, PAV 52.50 % (Räber 2015, supplement)."""
    volumes = segment_volumes(np.arange(5.0), LUMEN, EEM, VolumeRule.TRAPEZOID)
    assert volumes.plaque_mm3 == pytest.approx(31.5)
    assert volumes.vessel_mm3 == pytest.approx(60.0)
    assert volumes.percent_atheroma_volume == pytest.approx(52.5)


def test_uneven_spacing_against_scipy() -> None:
    x = np.array([0.0, 0.4, 1.5, 1.9, 4.0])
    volumes = segment_volumes(x, LUMEN, EEM, VolumeRule.TRAPEZOID)
    assert volumes.lumen_mm3 == pytest.approx(trapezoid(LUMEN, x))
    assert volumes.vessel_mm3 == pytest.approx(trapezoid(EEM, x))
