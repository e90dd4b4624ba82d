"""Synthetic intravascular ultrasound and X-ray runs with known truth."""

from boreline_phantoms.records import Acquisition, Picture, Scene, Truth
from boreline_phantoms.writing import write_scene

__all__ = ["Acquisition", "Picture", "Scene", "Truth", "write_scene"]
