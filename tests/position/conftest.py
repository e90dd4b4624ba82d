"""One filmed scene, written once for all tests."""

from __future__ import annotations

from dataclasses import replace

import pytest
from filming import Filmed

from boreline.reading import read_xray
from boreline_phantoms.xray_check import clocked_run
from boreline_phantoms.xray_scenes import xray_scene
from boreline_phantoms.xray_writing import write_xray


@pytest.fixture(scope="session")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Filmed:
    scene = xray_scene("middle", 2, seconds=14.0, biplane=True)
    assert scene.cine2 is not None
    scene = replace(scene, cine=replace(scene.cine, n_frames=45), cine2=replace(scene.cine2, n_frames=45))
    folder = tmp_path_factory.mktemp("filmed")
    write_xray(scene, folder, encoding="explicit")
    films = [read_xray(folder / f"{name}.dcm") for name in ("fluoro", "cine", "cine2")]
    return Filmed(scene, folder, clocked_run(scene), *films)
