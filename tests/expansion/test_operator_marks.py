"""Findings marked on the review page reach `boreline assess`, through the edit log and nothing else."""

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import folders
import numpy as np
import pytest

from boreline.correction.edits import Dissection, Edit, Nodule, NoStent, Site, SiteName, Stent
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import Contours, Segmentation, Structure
from boreline.results import ResultFolder
from boreline.review.session import RunSession
from boreline.workflow.assess import assess_folder
from boreline.workflow.assess_marks import marked_length_mm
from boreline_cli.main import main

STENTED = range(30, 60)
N_FRAMES = 90
plain_automatic = folders.automatic


def with_stent(n_frames: int, size: int, **options: float) -> Segmentation:
    """The drawn vessel with a stent of 2.9 mm2 more than the lumen, so that tissue protrudes everywhere."""
    found = plain_automatic(n_frames, size, error=0.0, **options)
    lumen = found.contours[Structure.LUMEN]
    middle = (size - 1) / 2
    polygons = [
        middle + (lumen.polygon(f) - middle) * 1.3 if f in STENTED else np.empty((0, 2)) for f in range(n_frames)
    ]
    inside = np.isin(np.arange(n_frames), STENTED)
    return replace(
        found,
        contours={**found.contours, Structure.STENT: Contours.from_polygons(Structure.STENT, polygons)},
        confidence={**found.confidence, Structure.STENT: np.where(inside, 0.9, np.nan)},
        area_sd_mm2={**found.area_sd_mm2, Structure.STENT: np.where(inside, 0.1, np.nan)},
        flags=tuple(frozenset({Flag.STENT}) if f in STENTED else frozenset() for f in range(n_frames)),
    )


@pytest.fixture
def stent_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("folders.automatic", with_stent)
    return folders.make_folder(tmp_path / "run", n_frames=N_FRAMES)


def mark(path: Path, edits: Iterable[Edit]) -> None:
    session = RunSession(ResultFolder.open(path), "anna", save_after_s=600)
    for revision, edit in enumerate(edits):
        session.add(edit, revision=revision)
    session.close()


def test_a_marked_dissection_is_used_and_an_option_stands_above_it(
    stent_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = assess_folder(stent_folder)
    verdicts = {rule["id"]: rule["verdict"] for rule in document["rules"]}
    assert verdicts["diss-none"] == "not_assessable"
    assert document["operator_marks"] == {"inputs": [], "findings": []}
    assert document["stent"]["by"] == "struts found in the run"

    middle = 63.5  # of a picture of 128 pixels, where the lumen's centre of mass lies
    edits: list[Edit] = [
        Dissection(
            first=62, last=71, depth="media", side="proximal", from_px=(middle + 20, middle), to_px=(middle, 90.0)
        ),
        Dissection(first=20, last=24, depth="intima", side="distal"),
        Dissection(first=40, last=55, depth="adventitia", side="within"),
        Nodule(first=10, last=12),
    ]
    mark(stent_folder, edits)
    document = assess_folder(stent_folder)
    used = {one["input"]: one for one in document["operator_marks"]["inputs"]}
    assert {name: one["used"] for name, one in used.items()} == {
        "dissection_depth": "medial",
        "dissection_side": "both",
        "dissection_length_mm": pytest.approx(10 * document_spacing(stent_folder), rel=1e-2),
        "dissection_arc_deg": pytest.approx(90.0, abs=4.0),
    }
    assert {one["by"] for one in used.values()} == {"mark"}
    verdicts = {rule["id"]: rule["verdict"] for rule in document["rules"]}
    assert verdicts["diss-none"] == "not_met"
    assert [one["kind"] for one in document["operator_marks"]["findings"]].count("dissection") == 3

    with pytest.raises(SystemExit) as stop:
        main(["assess", str(stent_folder), "--dissection-arc", "30"])
    assert not stop.value.code
    out = " ".join(capsys.readouterr().out.split())
    assert "overridden on the command line: 30" in out
    stored = json.loads((stent_folder / "assessment.json").read_text())
    arc = next(one for one in stored["operator_marks"]["inputs"] if one["input"] == "dissection_arc_deg")
    assert (arc["used"], arc["by"]) == (30.0, "command line")
    assert any("overrides the mark" in note for note in stored["notes"])

    document = assess_folder(stent_folder, stated={"dissection_depth": "none"})
    assert {one["by"] for one in document["operator_marks"]["inputs"]} == {"command line"}
    verdicts = {rule["id"]: rule["verdict"] for rule in document["rules"]}
    assert verdicts["diss-none"] == "met"


def document_spacing(path: Path) -> float:
    position = ResultFolder.open(path).frames()["position_mm"].to_numpy(dtype=float)
    return float(abs(position[1] - position[0]))


def test_the_stent_and_the_references_may_be_marked(stent_folder: Path) -> None:
    place = ResultFolder.open(stent_folder).frames()["position_mm"].to_numpy(dtype=float)
    sites = [Site(name=SiteName.DISTAL_REFERENCE, frame=26), Site(name=SiteName.LAD_OSTIUM, frame=45)]
    mark(stent_folder, [Stent(first=36, last=55), *sites])
    document = assess_folder(stent_folder)
    assert document["stent"]["by"] == "stent marked on the review page"
    assert (document["stent"]["from_mm"], document["stent"]["to_mm"]) == pytest.approx((place[35], place[54]), abs=0.06)
    assert document["references_by"] == {"distal": "operator", "proximal": "proposal"}
    assert document["references"]["distal"]["position_mm"] == pytest.approx(place[25], abs=0.06)
    ostium = next(rule for rule in document["rules"] if rule["id"] == "lm-2011")["inputs"]["lad_ostium_mm2"]
    assert ostium == pytest.approx(ResultFolder.open(stent_folder).frames()["stent_area_mm2"].iloc[44], rel=0.1)
    by_option = assess_folder(stent_folder, stent_from_mm=place[39], stent_to_mm=place[49])
    assert by_option["stent"]["by"] == "command line"


def test_landing_sites_stand_for_the_stent_and_no_stent_is_refused(stent_folder: Path) -> None:
    distal, proximal = 37, 53
    mark(
        stent_folder,
        [Site(name=SiteName.DISTAL_LANDING, frame=distal), Site(name=SiteName.PROXIMAL_LANDING, frame=proximal)],
    )
    assert assess_folder(stent_folder)["stent"]["by"] == "landing sites marked on the review page"
    session = RunSession(ResultFolder.open(stent_folder), "anna", save_after_s=600)
    session.add(NoStent(), revision=2)
    session.close()
    with pytest.raises(InputRefused, match="no stent"):
        assess_folder(stent_folder)


def test_tissue_inside_the_stent_is_measured(stent_folder: Path) -> None:
    found = assess_folder(stent_folder)["tissue_protrusion"]
    frames = ResultFolder.open(stent_folder).frames()
    difference = (frames["stent_area_mm2"] - frames["lumen_area_mm2"]).to_numpy(dtype=float)
    assert found["largest_area_mm2"] == pytest.approx(np.nanmax(difference), rel=0.1)
    assert found["largest_burden_pct"] == pytest.approx(100 * (1 - 1 / 1.3**2), abs=0.5)
    assert "Räber" in found["source"]


def test_a_frame_stands_for_half_the_way_to_its_neighbours() -> None:
    place = np.array([0.0, 0.5, 1.0, 1.5, math.nan])
    assert marked_length_mm(place, 1, 1) == pytest.approx(0.5)
    assert marked_length_mm(place, 1, 2) == pytest.approx(1.0)
    assert marked_length_mm(place, 0, 3) == pytest.approx(1.5)
    assert math.isnan(marked_length_mm(place, 4, 4))
