"""Two readings of the same runs, from result folders to the agreement page."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from boreline.benchmark.agreement_page import write_agreement
from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.profile.frames import frames_table
from boreline.results import ResultFolder, change, put_tables
from boreline.workflow.analyse import analyse
from boreline_phantoms.scenes import circle
from boreline_phantoms.writing import write_scene


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Three runs read twice; the second reader draws every lumen 2 % wider in radius."""
    root = tmp_path_factory.mktemp("readings")
    for seed, diameter_mm in ((1, 2.5), (2, 3.0), (3, 3.5)):
        write_scene(circle(diameter_mm).with_(seed=seed, frames=4), root / f"scene{seed}")
        analyse(root / f"scene{seed}" / "run.dcm", root / "first" / f"run{seed}")
    shutil.copytree(root / "first", root / "second")
    for path in (root / "second").iterdir():
        folder = ResultFolder.open(path)
        segmentation, run = folder.segmentation(), folder.open_run()
        lumen = segmentation.contours[Structure.LUMEN]
        xy = lumen.xy_px.copy()
        for i in range(lumen.n_frames):
            part = slice(lumen.offsets[i], lumen.offsets[i + 1])
            middle = xy[part].mean(axis=0)
            xy[part] = middle + 1.02 * (xy[part] - middle)
        wider = replace(segmentation, contours={**segmentation.contours, Structure.LUMEN: replace(lumen, xy_px=xy)})
        frames = frames_table(wider, run.calibration, run.timing, folder.axis())
        with change(path) as staging:
            put_tables(staging, wider, frames, None)
    return root / "first", root / "second"


def test_a_known_difference_is_measured(readings: tuple[Path, Path], tmp_path: Path) -> None:
    table = write_agreement(*readings, tmp_path / "out").set_index(["structure", "level", "quantity"])
    areas = np.pi * np.array([2.5, 3.0, 3.5]) ** 2 / 4
    expected_bias = float((areas * (1 - 1.02**2)).mean())
    assert table.loc[("lumen", "run", "bias_mm2"), "value"] == pytest.approx(expected_bias, rel=0.03)
    assert table.loc[("lumen", "frame", "bias_mm2"), "value"] == pytest.approx(expected_bias, rel=0.03)
    assert table.loc[("lumen", "frame", "median_jaccard"), "value"] == pytest.approx(1 / 1.02**2, abs=2e-3)
    assert table.loc[("lumen", "frame", "median_hausdorff_mm"), "value"] == pytest.approx(0.02 * 1.5, abs=3e-3)
    agreement = table.loc[("lumen", "run", "ICC(2,1)"), "value"]
    consistency = table.loc[("lumen", "run", "ICC(3,1)"), "value"]
    assert agreement < consistency <= 1.0
    assert (tmp_path / "out" / "index.html").read_text().count("<circle") == 12
    assert len(pd.read_csv(tmp_path / "out" / "pairs.csv")) == 12


def test_a_reading_agrees_perfectly_with_itself(readings: tuple[Path, Path], tmp_path: Path) -> None:
    table = write_agreement(readings[0], readings[0], tmp_path / "out").set_index(["structure", "level", "quantity"])
    assert table.loc[("lumen", "frame", "bias_mm2"), "value"] == 0
    assert table.loc[("lumen", "frame", "median_jaccard"), "value"] == pytest.approx(1.0, abs=1e-6)


def test_readings_of_different_runs_are_refused(readings: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="no run in common"):
        write_agreement(readings[0] / "run1", readings[1] / "run2", tmp_path / "out")
    assert not (tmp_path / "out").exists()
