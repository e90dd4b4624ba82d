"""The runs that a search through a folder finds, as their headers describe them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from boreline.model import PullbackKind
from boreline.reading.xray import RadiationSetting


@dataclass(frozen=True, slots=True)
class FoundPullback:
    """A pullback; `path` is a file, or the folder of its single frames.

    Attributes
    ----------
    defect
        Why it would be refused as it is, None when it would not. Numbers may then be None.
    """

    path: Path
    study_uid: str
    series_uid: str
    sop_instance_uid: str
    n_frames: int | None
    started_at: datetime | None
    duration_s: float | None
    kind: PullbackKind | None
    defect: str | None = None


@dataclass(frozen=True, slots=True)
class FoundXray:
    """An X-ray run; `view_deg` is (primary, secondary), NaN where not stated."""

    path: Path
    study_uid: str
    radiation: RadiationSetting | None
    n_frames: int | None
    started_at: datetime | None
    duration_s: float | None
    view_deg: tuple[float, float] | None
    defect: str | None = None


def moment(iso: str | None) -> datetime | None:
    """A stated start as a comparable time."""
    return None if iso is None else datetime.fromisoformat(iso)
