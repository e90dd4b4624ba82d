"""Options that several commands share, declared once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline.errors import InputRefused
from boreline.vocabulary import Phase, Vessel

RunPath = Annotated[Path, typer.Argument(metavar="RUN.dcm", help="The DICOM run, or a folder of its single frames.")]
ResultDir = Annotated[Path, typer.Argument(metavar="DIR", help="A result folder made by boreline analyse.")]
OutDir = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the result folder is made.")]
VesselOption = Annotated[Vessel | None, typer.Option("--vessel", help="The artery.")]
PhaseOption = Annotated[Phase | None, typer.Option("--phase", help="When in the procedure.")]
MmPerPixel = Annotated[
    str | None,
    typer.Option("--mm-per-pixel", metavar="X[,Y]", help="Millimetres per pixel, instead of the file's calibration."),
]
TrustRegion = Annotated[
    bool, typer.Option("--trust-region", help="Believe the ultrasound region where another spacing contradicts it.")
]
WholeFramesOnly = Annotated[
    bool, typer.Option("--whole-frames-only", help="Analyse the whole frames of a truncated file.")
]
FrameRate = Annotated[
    float | None,
    typer.Option("--frame-rate", metavar="HZ", help="Frames per second, where the file has no usable timing."),
]
PullbackSpeed = Annotated[
    float | None,
    typer.Option("--pullback-speed", metavar="MM_S", help="Speed of a pullback whose file states none, in mm/s."),
]
OneFramePerBeat = Annotated[
    bool,
    typer.Option("--one-frame-per-beat", help="A gated pullback without R waves holds one frame per heart beat."),
]
CalibrationFile = Annotated[
    Path | None,
    typer.Option("--calibration", metavar="FILE", help="A catheter's scale equation (boreline benchmark calibrate)."),
]
Threads = Annotated[int, typer.Option("--threads", min=1, max=64, help="Worker threads; results do not depend on it.")]


def parse_mm_per_px(text: str | None) -> tuple[float, float] | None:
    """`X` or `X,Y` as (x, y) millimetres per pixel.

    Raises
    ------
    InputRefused
        Not one or two positive numbers.
    """
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (1, 2) or not all(0 < number < float("inf") for number in numbers):
        raise InputRefused(
            f"{text!r} is not one or two positive numbers", tag="--mm-per-pixel", remedy="write 0.02 or 0.02,0.026"
        )
    return numbers[0], numbers[-1]
