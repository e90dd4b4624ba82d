"""Co-registration that dies at any write: its tables and its record are the old or the new ones, and so is its page."""

from __future__ import annotations

import os
import random
import shutil
import signal
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from deaths import Mortal, beside, contents, mortal_after

from boreline.results import ResultFolder
from boreline.workflow.analyse import analyse
from boreline_phantoms import filmed, scenes, write_scene
from boreline_phantoms.xray import Film

DEATHS = int(os.environ.get("BORELINE_DEATHS", "2"))
PAGE = "report.html"


@dataclass(frozen=True)
class Filmed:
    run: Path
    analysed: Path
    mortal: Mortal

    @property
    def films(self) -> list[str]:
        return ["--fluoro", str(self.run.with_name("fluoro.dcm")), "--cine", str(self.run.with_name("cine.dcm"))]


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Filmed]:
    whole = filmed.xray_scene

    def small(film: Film, n_frames: int) -> Film:
        view = replace(film.view, size_px=film.view.size_px // 2, imager_spacing_mm=2 * film.view.imager_spacing_mm)
        return replace(film, n_frames=n_frames, view=view)

    def short(level: str, seed: int = 1, *, seconds: float = 30.0) -> Any:
        scene = whole(level, seed, seconds=seconds)
        return replace(scene, fluoro=small(scene.fluoro, 48), cine=small(scene.cine, 45))

    place = tmp_path_factory.mktemp("filmed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(filmed, "xray_scene", short)
        run = write_scene(scenes.get("xray-easy").with_(frames=54, size=128), place / "drawn")
    analysed = analyse(run, place / "analysed").path
    shutil.copytree(analysed, place / "warm")
    filmed_case = Filmed(run, analysed, Mortal.__new__(Mortal))
    with mortal_after([["coregister", str(place / "warm"), *filmed_case.films]]) as mortal:
        yield replace(filmed_case, mortal=mortal)


def test_placing_that_dies_at_a_write_leaves_old_or_new(case: Filmed, tmp_path: Path) -> None:
    """The page follows in a step of its own: it may be the old one while the tables are new; `report` mends that."""
    folder = tmp_path / "work" / "case"
    command = ["coregister", str(folder), *case.films]

    def prepare() -> dict[str, str]:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(case.analysed, folder)
        return contents(folder)

    old = prepare()
    whole = case.mortal.run(*command, under=folder.parent)
    assert (whole.status, whole.said) == (0, "")
    new = contents(folder)
    assert {"marker.parquet", "path.parquet", "profile.csv"} <= new.keys() - old.keys()
    assert old[PAGE] != new[PAGE]
    behind = {**new, PAGE: old[PAGE]}
    seed = int.from_bytes(os.urandom(4), "big")
    chance = random.Random(seed)
    for number in (signal.SIGKILL, signal.SIGTERM, signal.SIGINT):
        for nth in chance.sample(range(1, whole.writes + 1), min(DEATHS, whole.writes)):
            where = f"seed {seed}, {number.name} at write {nth} of {whole.writes}"
            assert prepare() == old
            death = case.mortal.run(*command, under=folder.parent, signal=number, nth=nth)
            assert death.status == (-signal.SIGKILL if number is signal.SIGKILL else 128 + number), where
            ResultFolder.open(folder)  # finishes or discards what was cut off
            after = contents(folder)
            assert after in (old, behind, new), (where, sorted(after.items() ^ new.items()))
            assert beside(folder) == [], where
    assert case.mortal.run(*command, under=folder.parent).status == 0
    assert contents(folder) == new
