"""What an operator decided by command in a run's folder; a batch that does the run again keeps it.

Landing sites are kept by their frames, because millimetres change with the scale; the plan is made again there. An
assessment with an operator's own inputs is kept as it stands, with a note, since its inputs cannot be asked for again.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from boreline.results import ResultFolder

PLAN, ASSESSMENT = "plan.json", "assessment.json"
_FOLDER = "choices"


@dataclass(frozen=True, slots=True)
class Choices:
    """Frames (counted from 1) of the landing sites by side, an assessment, and the name of a device list."""

    sites: dict[str, int] = field(default_factory=dict)
    assessment: dict[str, Any] | None = None
    device_list: str | None = None

    def __bool__(self) -> bool:
        """True when the operator decided anything."""
        return bool(self.sites or self.assessment or self.device_list)


def operator_choices(out: Path) -> Choices:
    """The choices in a result folder; those that a killed process had already put aside come first."""
    try:
        return Choices(**json.loads(_aside(out).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        pass
    if not (out / "run.json").is_file():
        return Choices()
    folder = ResultFolder.open(out)
    noted = folder.record.get("batch") or {}
    sites: dict[str, int] = dict(noted.get("sites") or {})
    device_list = None
    if _by_hand(out / PLAN, noted):
        plan = folder.read_json(PLAN) or {}
        landings = plan.get("landing_sites") or {}
        sites = {side: int(site["frame"]) for side, site in landings.items() if site.get("chosen_by") == "operator"}
        device_list = plan.get("device_list")
    assessment = folder.read_json(ASSESSMENT) if _by_hand(out / ASSESSMENT, noted) else None
    return Choices(sites, assessment, device_list)


def put_aside(out: Path, choices: Choices) -> None:
    """Keep the choices safe while the folder is replaced."""
    if choices:
        path = _aside(out)
        path.parent.mkdir(exist_ok=True)
        draft = path.with_suffix(".draft")
        draft.write_text(json.dumps(asdict(choices)), encoding="utf-8")
        draft.replace(path)


def forget(out: Path) -> None:
    """Drop what was put aside, once the folder holds it again."""
    _aside(out).unlink(missing_ok=True)


def landing_mm(folder: ResultFolder, choices: Choices, side: str) -> float | None:
    """Where the chosen landing site of a side lies in the folder as it is now; a site marked in review goes first."""
    from boreline.correction.edits import SiteName
    from boreline.workflow.plan import stated_site_mm

    frame = choices.sites.get(side)
    position = folder.frames()["position_mm"].to_numpy(dtype=float)
    if frame is None or not 1 <= frame <= len(position) or not np.isfinite(position[frame - 1]):
        return None
    return None if stated_site_mm(folder, SiteName(f"{side}_landing")) is not None else float(position[frame - 1])


def made_here(out: Path) -> dict[str, str]:
    """Hashes of the plan and the assessment, so that one made by hand later is told from the batch's own."""
    return {name: _hash(out / name) for name in (PLAN, ASSESSMENT) if (out / name).is_file()}


def _by_hand(path: Path, noted: dict[str, Any]) -> bool:
    """A batch that was cut off leaves no `made`: what stands there then is its own."""
    return "made" in noted and path.is_file() and noted["made"].get(path.name) != _hash(path)


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _aside(out: Path) -> Path:
    return out.parent.parent / _FOLDER / f"{out.name}.json"
