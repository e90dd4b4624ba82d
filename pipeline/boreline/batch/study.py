"""The settings of a whole study, in one validated TOML file that is echoed into every `run.json`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from boreline.errors import InputRefused
from boreline.model import JsonValue
from boreline.reading.scale import read_scale
from boreline.segmentation.protocol import DEFAULT_SEGMENTER
from boreline.sizing.devices import read_devices
from boreline.workflow.analyse import AnalyseOptions

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Limits(BaseModel):
    """What one run may use before it is stopped and recorded as failed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    time_s: Positive = 1800.0
    memory_mb: Positive = 2048.0


class Study(BaseModel):
    """One study's settings.

    Attributes
    ----------
    name
        Of the study; appears on the cohort page.
    pseudonym_key
        Mixed into the pseudonymous run names; keep it private and unchanged for one study.
    mm_per_px, trust_region, whole_frames_only, frame_rate_hz, pullback_speed_mm_s, segmenter
        As the options of `boreline analyse`, for every run that the mapping does not set apart.
    calibration_file
        A catheter's scale equation, applied on top of every run's calibration; relative to the study's file.
    devices
        The devices that plans choose from, CSV; relative to the study's file.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = "study"
    pseudonym_key: str = ""
    segmenter: str = DEFAULT_SEGMENTER
    mm_per_px: tuple[Positive, Positive] | None = None
    trust_region: bool = False
    whole_frames_only: bool = False
    frame_rate_hz: Positive | None = None
    pullback_speed_mm_s: Positive | None = None
    calibration_file: Path | None = None
    devices: Path | None = None
    limits: Limits = Limits()

    def options(self) -> AnalyseOptions:
        """The options of one analysis; threads are set by the caller."""
        return AnalyseOptions(
            mm_per_px=self.mm_per_px,
            trust_region=self.trust_region,
            whole_frames_only=self.whole_frames_only,
            frame_rate_hz=self.frame_rate_hz,
            pullback_speed_mm_s=self.pullback_speed_mm_s,
            segmenter=self.segmenter,
            calibration_file=self.calibration_file,
        )

    def described(self) -> dict[str, JsonValue]:
        """The settings as every `run.json` echoes them: without the key, files by their name alone."""
        values = self.model_dump(mode="json", exclude={"pseudonym_key", "limits"})
        for name in ("calibration_file", "devices"):
            path: Path | None = getattr(self, name)
            values[name] = None if path is None else path.name
        return values


def read_study(path: Path | None) -> Study:
    """The study in a TOML file, or the defaults.

    Raises
    ------
    InputRefused
        The file cannot be read, a key is unknown or out of range (names the key), or a file that it names is no scale
        equation or no device list.
    """
    if path is None:
        return Study()
    study = _validated(path)
    named = {
        name: (path.parent / file).resolve()
        for name, file in (("calibration_file", study.calibration_file), ("devices", study.devices))
        if file is not None
    }
    for name, check in (("calibration_file", read_scale), ("devices", read_devices)):
        if name in named:
            check(named[name])
    return study.model_copy(update=named)


def _validated(path: Path) -> Study:
    try:
        return Study.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as cause:
        raise InputRefused(f"cannot be read as TOML: {cause}", file=path, remedy="name a TOML file in UTF-8") from None
    except ValidationError as invalid:
        first = invalid.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputRefused(
            f"{first['msg']}", file=path, tag=key, remedy="correct the key; boreline batch --help lists all"
        ) from None
