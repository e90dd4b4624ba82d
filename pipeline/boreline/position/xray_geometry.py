"""Where a place in space appears in an X-ray picture, and back: the view, its distances, its pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from boreline.model import FloatArray


@dataclass(frozen=True, slots=True)
class XrayGeometry:
    """A view (degrees, + = LAO and + = cranial), its distances and its pixels."""

    primary_deg: float
    secondary_deg: float
    source_to_detector_mm: float
    source_to_patient_mm: float
    imager_mm: float
    centre_px: tuple[float, float]

    @property
    def mm_per_px(self) -> float:
        """At the isocentre."""
        return self.imager_mm * self.source_to_patient_mm / self.source_to_detector_mm

    def axes(self) -> FloatArray:
        """Rows: image right, image up, towards the detector; patient axes left, back, head (PS3.3 C.8.7.5)."""
        a, b = np.radians(self.primary_deg), np.radians(self.secondary_deg)
        towards = np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])
        up = np.array([0.0, 0.0, 1.0]) - towards[2] * towards
        up /= np.linalg.norm(up)
        return np.array([np.cross(up, towards), up, towards])

    def places_mm(self, xy_px: FloatArray, depth_mm: FloatArray) -> FloatArray:
        """Places in space at depths towards the detector, shape (..., 3)."""
        scale = (self.source_to_patient_mm + depth_mm) / self.source_to_detector_mm * self.imager_mm
        right = (xy_px[..., 0] - self.centre_px[0]) * scale
        up = (self.centre_px[1] - xy_px[..., 1]) * scale
        places: FloatArray = np.stack([right, up, np.broadcast_to(depth_mm, right.shape)], axis=-1) @ self.axes()
        return places

    def project(self, places_mm: FloatArray) -> FloatArray:
        """Pixels (x, y), shape (..., 2)."""
        seen = places_mm @ self.axes().T
        scale = self.source_to_detector_mm / (self.source_to_patient_mm + seen[..., 2]) / self.imager_mm
        return np.stack([self.centre_px[0] + seen[..., 0] * scale, self.centre_px[1] - seen[..., 1] * scale], axis=-1)


def angle_between_deg(a: XrayGeometry, b: XrayGeometry) -> float:
    """Angle between the beams of two views."""
    return float(np.degrees(np.arccos(np.clip(a.axes()[2] @ b.axes()[2], -1, 1))))
