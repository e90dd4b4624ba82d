"""The same seed gives the same bytes, truth, UIDs and pixels, in another process with another hash seed as well."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

from boreline_phantoms import scenes, write_scene
from boreline_phantoms.media import write_media
from boreline_phantoms.xray_scenes import xray_scene
from boreline_phantoms.xray_writing import write_xray


def write_all(folder: Path) -> None:
    run = write_scene(scenes.get("everything").with_(frames=3, size=96), folder / "everything")
    write_scene(
        scenes.get("random:11").with_(frames=2, size=96), folder / "random", encoding="rle", text=True, strip=True
    )
    scene = xray_scene("middle", 2, seconds=8.0)
    few = replace(scene, fluoro=replace(scene.fluoro, n_frames=2), cine=replace(scene.cine, n_frames=2))
    write_xray(few, folder / "films")
    write_media([run, folder / "films" / "cine.dcm"], folder / "export")


def contents(folder: Path) -> dict[Path, bytes]:
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_every_byte_follows_from_the_seed(tmp_path: Path) -> None:
    write_all(tmp_path / "here")
    subprocess.run(
        [sys.executable, __file__, str(tmp_path / "there")],
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"},
    )
    here, there = contents(tmp_path / "here"), contents(tmp_path / "there")
    assert here.keys() == there.keys()
    assert len(here) == 2 * 6 + 6 + 3
    assert [name for name in here if here[name] != there[name]] == []


def test_another_seed_gives_other_bytes(tmp_path: Path) -> None:
    for seed in (1, 2):
        write_scene(scenes.get("vessel").with_(frames=1, size=64, seed=seed), tmp_path / str(seed))
    one, two = contents(tmp_path / "1"), contents(tmp_path / "2")
    assert all(one[Path(name)] != two[Path(name)] for name in ("run.dcm", "truth/frames.csv", "truth/contours.parquet"))


if __name__ == "__main__":
    write_all(Path(sys.argv[1]))
