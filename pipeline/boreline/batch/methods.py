"""A methods paragraph for the paper, with the versions of everything that made the numbers."""

from __future__ import annotations

from importlib.metadata import version

import pandas as pd

from boreline._version import __version__
from boreline.batch.study import Study
from boreline.profile.volumes import MAX_GAP_MM

_LIBRARIES = ("numpy", "scipy", "numba", "opencv-python-headless", "scikit-image", "pydicom", "pandas")


def methods_text(study: Study, cohort: pd.DataFrame) -> str:
    """The paragraph and the version list."""
    n = len(cohort)
    placed = int(cohort["length_mm"].notna().sum()) if n else 0
    reviewed = float(cohort["reviewed_pct"].mean()) if n else 0.0
    own_scale = "" if study.mm_per_px is None else f" Millimetres per pixel were stated as {study.mm_per_px}."
    if study.calibration_file is not None:
        own_scale += " Scales were corrected by an equation measured on a phantom."
    own_speed = (
        ""
        if study.pullback_speed_mm_s is None
        else f" Pullbacks without a stated speed were taken at {study.pullback_speed_mm_s:g} mm/s."
    )
    paragraph = (
        f"Intravascular ultrasound runs (n = {n}) were analysed offline with Boreline {__version__} (segmenter "
        f"{study.segmenter}). Lumen and external elastic membrane were traced automatically in every frame; on average "
        f"{reviewed:.0f} % of the frames of a run were reviewed by an operator. Areas were measured in square "
        f"millimetres from the calibration of the DICOM files.{own_scale}{own_speed} Positions along the vessel were "
        f"known in {placed} of {n} runs; volumes are disc summations over a 0.1-mm grid, with gaps of at most "
        f"{MAX_GAP_MM:g} mm interpolated. The membrane was not measured where 90 degrees or more of it "
        "were hidden or a large branch opened."
    )
    versions = "\n".join(f"{name} {version(name)}" for name in _LIBRARIES)
    return f"{paragraph}\n\nVersions\nboreline {__version__}\n{versions}\n"
