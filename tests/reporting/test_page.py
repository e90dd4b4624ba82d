"""The page: one offline file, readable without scripts, with the tables' own numbers."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from result_folders import phantom_run, result_of_truth

from boreline.model import CAUTION, Frame
from boreline.position.acquisition import check_acquisition
from boreline.reporting.bibliography import bibliography
from boreline.reporting.cut import LongitudinalCut
from boreline.reporting.page import write_report
from boreline.reporting.pictures import choose_frames
from boreline.results import ResultFolder


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> ResultFolder:
    base = tmp_path_factory.mktemp("page")
    return result_of_truth(phantom_run(base / "phantom", "circle-3", frames=20, size=192), base / "patient_name")


@pytest.fixture(scope="module")
def page(result: ResultFolder) -> str:
    return write_report(result, result.open_run(), result.path / "report.html").read_text(encoding="utf-8")


def test_nothing_is_fetched_and_no_path_is_told(page: str, result: ResultFolder) -> None:
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", page)
    assert "://" not in page
    assert str(result.path) not in page
    assert "patient_name" not in page


def test_the_answer_is_there_without_scripts(page: str, result: ResultFolder) -> None:
    still = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    frames = result.frames()
    smallest = frames["lumen_area_mm2"].min()
    assert f"{smallest:.2f} ±" in still
    assert f"frame {int(frames['lumen_area_mm2'].idxmin()) + 1}" in still
    assert CAUTION.split("'")[0] in still
    assert "not reviewed by an operator" in still


def test_verdicts_of_the_acquisition_check_are_words(result: ResultFolder, tmp_path: Path) -> None:
    folder = shutil.copytree(result.path, tmp_path / "checked")
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    record["acquisition"] = [check.as_json() for check in check_acquisition(result.open_run())]
    (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")
    text = write_report(ResultFolder.open(folder), None, tmp_path / "page.html").read_text(encoding="utf-8")
    cells = re.findall(r"<td>([^<]*)</td></tr>", text)
    assert "not assessable" in cells
    assert "not_assessable" not in cells


def test_pixels_are_optional(result: ResultFolder, tmp_path: Path) -> None:
    text = write_report(result, None, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "contours only" in text
    assert "data:image" not in text


@pytest.mark.parametrize(("chances", "drawn"), [({"edge-50": [[0.25]], "edge-55": [[None]]}, 2), ({}, 1)])
def test_the_landing_map_is_drawn_for_each_rule_about_the_edges(
    result: ResultFolder, tmp_path: Path, chances: dict[str, list[list[float | None]]], drawn: int
) -> None:
    folder = shutil.copytree(result.path, tmp_path / "planned")
    numbers = {
        "length_mm": 8.0,
        "device_length_mm": 12.0,
        "smallest_mm": 2.75,
        "largest_mm": 3.5,
        "edge_burden_pct": 40.0,
    }
    landing_map = {name: [[value]] for name, value in numbers.items()}
    landing_map |= {"distal_mm": [1.0], "proximal_mm": [9.0], "probability": chances}
    (folder / "plan.json").write_text(json.dumps({"caution": CAUTION, "landing_map": landing_map}))
    text = write_report(ResultFolder.open(folder), None, tmp_path / "page.html").read_text(encoding="utf-8")
    maps = re.findall(r"<summary>Landing-site map: (.*?)</summary>.*?</svg>", text, flags=re.DOTALL)
    assert len(maps) == drawn
    assert [rule for rule in chances if not any(rule in words for words in maps)] == []
    assert text.count("2.75-3.50") == drawn
    assert (
        text.count("probability of edge-50 0.25") == text.count("probability of edge-55 not known") == len(chances) / 2
    )
    assert "://" not in text


def test_chosen_frames_hold_the_sites_and_the_least_certain(result: ResultFolder) -> None:
    frames = result.frames()
    chosen = choose_frames(frames, {3: "smallest lumen"})
    assert "smallest lumen" in chosen[3]
    assert int(frames["confidence"].idxmin()) in chosen
    assert len(chosen) == 12


def test_the_cut_is_the_column_through_the_catheter(result: ResultFolder) -> None:
    run = result.open_run()
    cut = LongitudinalCut(run)
    grey = np.zeros((run.source.rows, run.source.columns), dtype=np.uint8)
    grey[:, round(run.centre_px[0]) if run.centre_px else 0] = 77
    cut.add(Frame(4, grey))
    cut.add(Frame(5, None, "damaged"))
    assert cut.image().shape == (run.region.height_px, run.n_frames)
    assert (cut.image() == 77).all(), "frames that were not added repeat their neighbour"


def test_citations_become_entries() -> None:
    text = bibliography(["Zhang, JACC 2018;72:3126-37; Li, Lancet 2024;403:1855-65 (public registration)", "a note"])
    assert "@article{zhang2018," in text
    assert "pages = {3126--37}" in text
    assert text.count("@article") == 2
    assert text.count("@misc") == 1
