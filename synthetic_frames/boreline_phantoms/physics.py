"""The ultrasound: resolution, brightness, attenuation and display, by frequency.

Sources. Axial and lateral resolution: 0.13 and 0.43 mm at the shortest range for 20 MHz (Engeler, Cardiovasc Intervent
Radiol 1995;18:239-42); about 0.10 and 0.20 mm for 40 MHz; below 0.06 and about 0.10 to 0.15 mm for 60 MHz. Lateral
resolution worsens linearly with range (Benkeser, J Am Soc Echocardiogr 1993;6:158-65). Blood scatters as the fourth
power of frequency (small against the wavelength), wall with a lower power, taken as 1.3 here (from memory), so the
contrast between them falls with frequency. Levels of the layers: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from boreline.model import FloatArray

SOUND_MM_S = 1.54e6
_KNOWN_MHZ = np.array([20.0, 40.0, 60.0])


class Blood(StrEnum):
    """How blood speckle changes from frame to frame."""

    INDEPENDENT = "independent"
    MOVING = "moving"
    FROZEN = "frozen"


@dataclass(frozen=True, slots=True)
class Physics:
    """One machine and its settings; levels in dB against the adventitia's mean.

    Attributes
    ----------
    blood, blood_offset_db
        How blood moves, and its brightness beyond what the frequency gives.
    fibrous_db, soft_db, media_db, intima_db, outside_db
        Mean backscatter of the layers; `soft_db` is measured from blood, the others from the adventitia.
    variation_db
        Standard deviation of the tissue's brightness from place to place.
    tissue_db_mm, attenuating_db_mm
        Two-way attenuation at 40 MHz in wall and in attenuating plaque, beyond what time-gain compensates.
    noise_db, gain_slope_db_mm
        Noise floor at the transducer, and its growth with depth by time-gain.
    range_db, gamma, gain_db, gain_drift_db
        Dynamic range shown, display curve, gain and its slow drift (standard deviation).
    ring_db, ring_mm
        Brightness of the ring-down at the sheath and the depth over which it fades by 20 dB.
    wire
        A guidewire runs beside the catheter.
    side_lobe_db
        Level of the side lobes of strong echoes.
    dropout_db
        Depth of a sector of poor contact; 0 = none.
    sheath_mm
        Radius of the catheter's sheath.
    """

    blood: Blood = Blood.INDEPENDENT
    blood_offset_db: float = 0.0
    fibrous_db: float = -5.0
    soft_db: float = 4.0
    media_db: float = -24.0
    intima_db: float = -3.0
    outside_db: float = -13.0
    variation_db: float = 4.5
    tissue_db_mm: float = 3.5
    attenuating_db_mm: float = 22.0
    noise_db: float = -54.0
    gain_slope_db_mm: float = 2.5
    range_db: float = 46.0
    gamma: float = 1.0
    gain_db: float = 0.0
    gain_drift_db: float = 0.7
    ring_db: float = 4.0
    ring_mm: float = 0.2
    wire: bool = True
    side_lobe_db: float = -32.0
    dropout_db: float = 0.0
    sheath_mm: float = 0.48

    def blood_db(self, mhz: float) -> float:
        """Mean level of blood at a frequency."""
        return -27.0 + (40.0 - 13.0) * float(np.log10(mhz / 40.0)) + self.blood_offset_db


@dataclass(frozen=True, slots=True)
class Beam:
    """Resolution of a transducer, full widths at half maximum of the amplitude."""

    mhz: float

    @property
    def axial_mm(self) -> float:
        """Along the beam."""
        return float(np.interp(self.mhz, _KNOWN_MHZ, [0.13, 0.09, 0.055]))

    def lateral_mm(self, range_mm: FloatArray) -> FloatArray:
        """Across the beam at a range: grows linearly."""
        near = np.interp(self.mhz, _KNOWN_MHZ, [0.29, 0.11, 0.065])
        slope = np.interp(self.mhz, _KNOWN_MHZ, [0.07, 0.05, 0.035])
        width: FloatArray = near + slope * np.asarray(range_mm, dtype=np.float64)
        return width

    @property
    def cell_mm2(self) -> float:
        """Area of a resolution cell at a range of 2 mm."""
        return self.axial_mm * float(self.lateral_mm(np.array(2.0)))

    @property
    def scatterers_per_cell(self) -> float:
        """Scatterers in one resolution cell: enough for fully developed speckle."""
        return float(np.interp(self.mhz, _KNOWN_MHZ, [12.0, 9.0, 9.0]))

    @property
    def elevation_mm(self) -> float:
        """Correlation length of tissue speckle along the vessel: correlation exp(-dz^2 / 2 l^2)."""
        return float(np.interp(self.mhz, _KNOWN_MHZ, [0.22, 0.15, 0.11]))

    @property
    def wave_number_mm(self) -> float:
        """Twice the wave number: phase per mm of range for the way out and back."""
        return float(4 * np.pi * self.mhz * 1e6 / SOUND_MM_S)

    def pulse(self, step_mm: float) -> tuple[FloatArray, int]:
        """The echo's envelope, sampled every `step_mm`, and the sample that lies at the scatterer's range.

        The echo rises quickly and fades slowly. The display's ranges are those of the middle of an echo's power, as if
        set by a target at a known range: where the power has risen half-way to the wall's, there the wall begins.
        """
        attack, decay = 0.6 * self.axial_mm / 2.355, 1.4 * self.axial_mm / 2.355
        peak = -(decay - attack) / np.sqrt(np.pi)  # of the amplitude; the mean place of the power is then 0
        before, after = int(np.ceil((2.6 * attack - peak) / step_mm)), int(np.ceil((peak + 2.6 * decay) / step_mm))
        t = np.arange(-before, after + 1) * step_mm - peak
        return np.exp(-0.5 * (t / np.where(t < 0, attack, decay)) ** 2), before
