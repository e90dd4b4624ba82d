"""`case.toml`: the runs of one vessel, so that before and after are compared without naming folders again.

[[run]]
folder = "before"              # a result folder, relative to this file
phase = "before"               # before | prepared | implanted | post_dilated | follow_up

[[run]]
folder = "after"
phase = "implanted"

[[fiducial]]                   # optional: places identified in both runs, mm
before_mm = 12.4
after_mm = 11.8
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from boreline.errors import CHECK_TEXT, CHECK_TOML, InputRefused
from boreline.model import Phase

_ORDER = tuple(Phase)
_FORM = "'boreline report --help' shows the form of a case file"


class _Run(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    folder: Path
    phase: Phase


class _Fiducial(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    before_mm: float = Field(allow_inf_nan=False)
    after_mm: float = Field(allow_inf_nan=False)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    run: tuple[_Run, ...] = Field(min_length=2)
    fiducial: tuple[_Fiducial, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """The runs of one vessel in the order of their phases, and places identified in the first and the last."""

    runs: tuple[tuple[Phase, Path], ...]
    fiducials: tuple[tuple[float, float], ...]

    @property
    def before(self) -> Path:
        """The earliest run."""
        return self.runs[0][1]

    @property
    def after(self) -> Path:
        """The latest run."""
        return self.runs[-1][1]


def read_case(path: Path) -> Case:
    """Read a case file.

    Raises
    ------
    InputRefused
        It cannot be read, breaks the form, or names one phase twice.
    """
    try:
        document = _File.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError) as failure:
        raise InputRefused(f"the case file cannot be read ({failure})", file=path, remedy=CHECK_TEXT) from None
    except tomllib.TOMLDecodeError as failure:
        raise InputRefused(f"no valid TOML ({failure})", file=path, remedy=CHECK_TOML) from None
    except ValidationError as failure:
        first = failure.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        raise InputRefused(f"not a case file ({first['msg']})", file=path, tag=place or "run", remedy=_FORM) from None
    phases = [run.phase for run in document.run]
    if len(set(phases)) != len(phases):
        raise InputRefused("a phase is named twice", file=path, tag="run.phase", remedy="keep one run for each phase")
    runs = sorted(((run.phase, path.parent / run.folder) for run in document.run), key=lambda run: _ORDER.index(run[0]))
    return Case(tuple(runs), tuple((place.before_mm, place.after_mm) for place in document.fiducial))
