"""Co-registration that dies at any write: its tables, its record and its page are all the old or all the new ones."""

from __future__ import annotations

import os
import random
import shutil
import signal
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from deaths import Mortal, beside, contents, mortal_after

from boreline.columns import FRAMES, PROFILE
from boreline.flags import Flag
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


@pytest.mark.parametrize("profile", ["appears", "goes"])
def test_placing_that_dies_at_a_write_leaves_old_or_new(case: Filmed, tmp_path: Path, profile: str) -> None:
    """A folder without positions gets a profile; one whose frames all turn out to lie outside the vessel loses it."""
    folder = tmp_path / "work" / "case"
    command = ["coregister", str(folder), *case.films]

    def prepare() -> dict[str, str]:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(case.analysed, folder)
        if profile == "goes":
            table = folder / FRAMES.file
            frames = pd.read_csv(table, dtype=str, keep_default_na=False)
            frames.assign(flags=Flag.OUTSIDE_VESSEL.value).to_csv(table, index=False)
            (folder / PROFILE.file).write_text("an earlier profile\n")
        return contents(folder)

    old = prepare()
    whole = case.mortal.run(*command, under=folder.parent)
    assert (whole.status, whole.said) == (0, "")
    new = contents(folder)
    assert {"marker.parquet", "path.parquet"} <= new.keys() - old.keys()
    assert (PROFILE.file in old, PROFILE.file in new) == ((False, True) if profile == "appears" else (True, False))
    assert old[PAGE] != new[PAGE]
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
            assert after in (old, new), (where, sorted(after.items() ^ new.items()))
            assert beside(folder) == [], where
    assert case.mortal.run(*command, under=folder.parent).status == 0
    assert contents(folder) == new
