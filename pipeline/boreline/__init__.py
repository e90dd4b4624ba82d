"""Boreline: from an intravascular ultrasound pullback to areas along the vessel, sizing and expansion.

The stages, in the order of the job::

    run = boreline.read_run("run.dcm")
    segmentation = boreline.load_segmenter().segment(run)
    axis = boreline.axis_from_pullback(run)
    frames = boreline.frames_table(segmentation, run.calibration, run.timing, axis)
    profile = boreline.profile_table(frames)

or all of it, with a result folder and a report: ``boreline.analyse("run.dcm", "results/case1")``.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from boreline._version import __version__

if TYPE_CHECKING:
    from boreline.errors import BorelineError, InputRefused
    from boreline.position import axis_from_pullback
    from boreline.profile.frames import frames_table
    from boreline.profile.grid import profile_table
    from boreline.reading import read_run
    from boreline.results import ResultFolder
    from boreline.segmentation.protocol import load_segmenter
    from boreline.workflow.analyse import AnalyseOptions, analyse

# Loaded on first use, so that the command line answers at once.
_HOMES = {
    "AnalyseOptions": "boreline.workflow.analyse",
    "BorelineError": "boreline.errors",
    "InputRefused": "boreline.errors",
    "ResultFolder": "boreline.results",
    "analyse": "boreline.workflow.analyse",
    "axis_from_pullback": "boreline.position",
    "frames_table": "boreline.profile.frames",
    "load_segmenter": "boreline.segmentation.protocol",
    "profile_table": "boreline.profile.grid",
    "read_run": "boreline.reading",
}

__all__ = [
    "AnalyseOptions",
    "BorelineError",
    "InputRefused",
    "ResultFolder",
    "__version__",
    "analyse",
    "axis_from_pullback",
    "frames_table",
    "load_segmenter",
    "profile_table",
    "read_run",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'boreline' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
