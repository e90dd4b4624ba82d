"""The phantoms' ultrasound against published figures of speckle, resolution and contrast.

First-order statistics of fully developed speckle: Wagner, Smith, Sandrik & Lopez, IEEE Trans Sonics Ultrason
1983;30:156-63: mean over standard deviation of the envelope is 1.91, that of the intensity 1.
"""

from __future__ import annotations

import numpy as np
import pytest

from boreline_phantoms.anatomy import N_ANGLES
from boreline_phantoms.physics import Beam, Physics
from boreline_phantoms.scanner import N_RANGES, WHITE_DB, Floats, Scanner

MHZ = (20.0, 40.0, 60.0)
QUIET = Physics(noise_db=-200.0, range_db=240.0, variation_db=0.0, side_lobe_db=-200.0)
ALL = np.ones((N_ANGLES, N_RANGES), dtype=np.float32)


def envelope(scanner: Scanner, field: Floats) -> np.ndarray:
    """The echo's amplitude, undoing the grey scale; the display's range is wide enough to clip nothing."""
    grey = scanner.image(field, -60.0 + WHITE_DB, np.random.default_rng(0), ring=False).astype(np.float64)
    level_db = (grey / 255 - 1) * QUIET.range_db + 60.0
    return 10 ** (level_db / 20)


def speckle(scanner: Scanner, z_mm: float, stream: int = 5, amplitude: Floats = ALL) -> np.ndarray:
    """Envelope of even tissue at a place along the vessel."""
    field = scanner.field()
    cloud = scanner.cloud(stream)
    for slab, strength in cloud.near(z_mm):
        scanner.scatter(
            field,
            slab.x,
            slab.y,
            strength,
            amplitude,
            matrix=np.eye(2),
            origin_mm=np.array([1.0, 2.0]),
            box_mm=cloud.box_mm,
        )
    return envelope(scanner, field)[:, 100:480]


@pytest.fixture(scope="module", params=MHZ)
def scanner(request: pytest.FixtureRequest) -> Scanner:
    return Scanner(request.param, 5.0, QUIET, 3)


def test_envelope_is_rayleigh(scanner: Scanner) -> None:
    even = np.concatenate([speckle(scanner, z) for z in (0.0, 3.0, 6.0)])
    assert even.mean() / even.std() == pytest.approx(1.91, rel=0.03)
    power = even**2
    assert power.mean() / power.std() == pytest.approx(1.0, rel=0.06)
    # Share of a Rayleigh law below half and above twice its root mean square.
    rms = np.sqrt(power.mean())
    assert np.mean(even < rms / 2) == pytest.approx(1 - np.exp(-0.25), abs=0.02)
    assert np.mean(even > 1.5 * rms) == pytest.approx(np.exp(-2.25), abs=0.015)


def test_brightness_does_not_change_with_range(scanner: Scanner) -> None:
    power = np.mean(np.stack([speckle(scanner, z) for z in (0.0, 3.0, 6.0, 9.0)]) ** 2, axis=(0, 1))
    near, far = power[:120].mean(), power[-120:].mean()
    assert abs(10 * np.log10(near / far)) < 0.7


def test_few_scatterers_are_not_rayleigh() -> None:
    """Control: a tenth of a scatterer per cell must fail the test above (a long tail, SNR well below 1.91)."""
    scanner = Scanner(40.0, 5.0, QUIET, 3)
    field = scanner.field()
    random = np.random.default_rng(1)
    for _ in range(300):
        j, i = random.integers(N_ANGLES), random.integers(N_RANGES)
        field[:, j, i] += random.normal(size=2)
    sparse = envelope(scanner, field)[:, 100:480]
    assert sparse.mean() / sparse.std() < 1.2


def _width(profile: np.ndarray, step_mm: float) -> float:
    """Full width at half maximum, between interpolated crossings."""
    half, peak = profile.max() / 2, int(np.argmax(profile))
    left = np.flatnonzero(profile[:peak] < half)[-1]
    right = peak + np.flatnonzero(profile[peak:] < half)[0]
    start = left + (half - profile[left]) / (profile[left + 1] - profile[left])
    end = right - (half - profile[right]) / (profile[right - 1] - profile[right])
    return float((end - start) * step_mm)


@pytest.mark.parametrize(
    ("mhz", "axial_mm", "lateral_mm"),
    [
        # Engeler, Cardiovasc Intervent Radiol 1995;18:239-42: 20 MHz, 0.13 axial, 0.43 lateral.
        (20.0, (0.11, 0.15), (0.38, 0.48)),
        # General IVUS figures: 0.10 (0.08 for 40 MHz, from memory) to 0.20 axial, about 0.20 lateral.
        (40.0, (0.08, 0.11), (0.17, 0.24)),
        # 60 MHz: below 0.06 axial, 0.10 to 0.15 lateral (the latter from memory).
        (60.0, (0.045, 0.06), (0.10, 0.15)),
    ],
)
def test_resolution(mhz: float, axial_mm: tuple[float, float], lateral_mm: tuple[float, float]) -> None:
    scanner = Scanner(mhz, 5.0, QUIET, 3)
    field = scanner.field()
    i = round(2.0 / scanner.step_mm)
    field[0, 200, i] = 1.0
    echo = envelope(scanner, field)
    assert axial_mm[0] <= _width(echo[200], scanner.step_mm) <= axial_mm[1]
    across = echo.max(axis=1)
    assert lateral_mm[0] <= _width(across, 2.0 * 2 * np.pi / N_ANGLES) <= lateral_mm[1]


def test_lateral_resolution_worsens_linearly_with_range() -> None:
    """Benkeser, J Am Soc Echocardiogr 1993;6:158-65."""
    ranges = np.array([1.5, 2.5, 3.5, 4.5])
    scanner = Scanner(40.0, 5.0, QUIET, 3)
    widths = []
    for r in ranges:
        field = scanner.field()
        field[0, 200, round(r / scanner.step_mm)] = 1.0
        widths.append(_width(envelope(scanner, field).max(axis=1), r * 2 * np.pi / N_ANGLES))
    slope, start = np.polyfit(ranges, widths, 1)
    assert slope > 0.02
    assert np.max(np.abs(np.polyval([slope, start], ranges) - widths)) < 0.01


def test_power_has_risen_half_way_where_tissue_begins() -> None:
    """The edge response of a pulse whose power is centred on its range: one half at the edge, rising over a pulse."""
    for mhz in MHZ:
        scanner = Scanner(mhz, 5.0, QUIET, 3)
        range_mm = (np.arange(N_RANGES) + 0.5) * scanner.step_mm
        beyond = np.where(range_mm >= 2.0, ALL, np.float32(0.0))
        power = np.mean([speckle(scanner, z, amplitude=beyond) ** 2 for z in np.arange(0.0, 12.0)], axis=(0, 1))
        seen = range_mm[100:480]
        risen = power / power[(seen > 2.3) & (seen < 3.0)].mean()
        rising = (seen > 1.7) & (seen < 2.2)
        tenth, half, most = np.interp([0.1, 0.5, 0.8], risen[rising], seen[rising])
        assert abs(half - 2.0) < 0.015
        assert tenth < half < most < tenth + 1.2 * scanner.beam.axial_mm


def test_tissue_decorrelates_along_the_vessel_as_stated() -> None:
    """Intensity correlation is the square of the field's: exp(-dz^2 / 2 l^2)."""
    scanner = Scanner(40.0, 5.0, QUIET, 3)
    length = scanner.beam.elevation_mm
    start = speckle(scanner, 2.0) ** 2
    found = [np.corrcoef(start.ravel(), speckle(scanner, 2.0 + k * length).ravel() ** 2)[0, 1] for k in (0.5, 1.0, 2.0)]
    assert found == pytest.approx([np.exp(-0.125), np.exp(-0.5), np.exp(-2.0)], abs=0.06)


def test_other_streams_are_independent() -> None:
    scanner = Scanner(40.0, 5.0, QUIET, 3)
    assert abs(np.corrcoef(speckle(scanner, 2.0).ravel(), speckle(scanner, 2.0, 6).ravel())[0, 1]) < 0.05


def test_blood_brightens_with_frequency() -> None:
    """Blood scatters as f^4 (Rayleigh scattering); wall with a lower power: from memory about 1.1 to 1.4."""
    levels = [Physics().blood_db(mhz) for mhz in MHZ]
    assert levels == sorted(levels)
    for a, b in ((0, 1), (1, 2)):
        octaves = np.log10(MHZ[b] / MHZ[a])
        assert 10 * (4 - 1.4) * octaves <= levels[b] - levels[a] <= 10 * (4 - 1.1) * octaves


def test_wave_number_is_that_of_sound_at_1540_m_s() -> None:
    # Phase turns once per half wavelength: 19.25 um at 40 MHz.
    assert 2 * np.pi / Beam(40.0).wave_number_mm == pytest.approx(1540e3 / 40e6 / 2)
