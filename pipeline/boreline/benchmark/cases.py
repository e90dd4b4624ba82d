"""Runs with known borders to measure segmenters on: named scenes, random scenes, or folders of a group's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from boreline.errors import InputRefused
from boreline.flags import NOT_VESSEL, parse_flags
from boreline.model import Contours, Run, Structure
from boreline.reading import read_run
from boreline.results.tables import read_contours
from boreline_phantoms import Scene, scenes, splits, write_scene

MEASURED = (Structure.LUMEN, Structure.EEM)
OWN = "own"


@dataclass(frozen=True, slots=True)
class LabelledRun:
    """A run and its truth.

    Attributes
    ----------
    name, difficulty
        Of the scene; a folder of the user's own is called after itself and is of difficulty `own`.
    truth
        Per structure; empty where it is not measurable.
    vessel
        Per frame: inside the vessel. Frames outside are not scored.
    position_mm
        True place of each frame along the vessel; NaN where the truth does not say.
    """

    name: str
    difficulty: str
    run: Run
    truth: dict[Structure, Contours]
    vessel: tuple[bool, ...]
    position_mm: tuple[float, ...]


@contextmanager
def open_case(case: Scene | Path) -> Iterator[LabelledRun]:
    """Read a labelled folder, or draw a scene into a temporary one that is gone afterwards."""
    if isinstance(case, Path):
        yield _read(case, case.name, OWN)
        return
    with TemporaryDirectory(prefix="boreline-") as scratch:
        folder = Path(scratch) / "scene"
        write_scene(case, folder)
        yield _read(folder, f"{case.name}/{case.seed}", splits.difficulty(case) if case.tags - {"exact"} else "exact")


def find_cases(words: Sequence[str], frames: int | None) -> list[Scene | Path]:
    """Scenes and folders named by the words: a scene, ``random:SEED``, a folder, or the sets ``tuning``, ``reporting``.

    Raises
    ------
    InputRefused
        A word is neither.
    """
    found: list[Scene | Path] = []
    for word in words:
        if word == "tuning":
            found += splits.tuning(frames=frames)
        elif word == "reporting":
            found += splits.reporting(frames=frames)
        elif (Path(word) / "run.dcm").is_file() or (Path(word) / "truth").is_dir():
            found.append(Path(word))
        else:
            found.append(scenes.get(word).with_(frames=frames))
    if not found:
        raise InputRefused("no scene and no folder to measure on", tag="SCENES", remedy="see 'boreline phantom list'")
    return found


def _read(folder: Path, name: str, difficulty: str) -> LabelledRun:
    run = read_run(folder / "run.dcm")
    contours = folder / "truth" / "contours.parquet"
    truth = {structure: read_contours(contours, structure, run.n_frames) for structure in MEASURED}
    vessel, position_mm = _frames(folder / "truth" / "frames.csv", run.n_frames)
    return LabelledRun(name, difficulty, run, truth, vessel, position_mm)


def _frames(path: Path, n_frames: int) -> tuple[tuple[bool, ...], tuple[float, ...]]:
    """Which frames lie inside the vessel, and where; all, at places unknown, without a table."""
    if not path.is_file():
        return (True,) * n_frames, (math.nan,) * n_frames
    table = pd.read_csv(path, usecols=lambda name: name in {"flags", "position_mm"}, dtype={"flags": str})
    vessel = tuple(not parse_flags(cell) & NOT_VESSEL for cell in table["flags"].fillna(""))
    position = table["position_mm"] if "position_mm" in table else [math.nan] * n_frames
    return vessel, tuple(float(value) for value in position)
