"""What the tests of filmed runs share."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from boreline.model import Run
from boreline.reading import XrayRun
from boreline_phantoms.xray import XrayScene


@dataclass(frozen=True)
class Filmed:
    scene: XrayScene
    folder: Path
    run: Run
    fluoro: XrayRun
    cine: XrayRun
    cine2: XrayRun
