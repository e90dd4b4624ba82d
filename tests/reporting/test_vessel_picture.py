"""The vessel on the page: the picture without its burned-in text, and the path linked to the profile."""

from __future__ import annotations

import base64
import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from films import SIDE, WORDS, cine, letters, path_px
from result_folders import phantom_run, result_of_truth

from boreline.columns import FRAMES
from boreline.reporting.masking import solid_blocks
from boreline.reporting.page import write_report
from boreline.reporting.vessel_picture import FILE, MARGIN_MM, masked_frame, save_vessel_picture
from boreline.results import ResultFolder
from boreline.results.tables import write_csv

MM_PER_PX = 0.3
N_FRAMES = 20


def coregistered(folder: ResultFolder, *, text: bool) -> ResultFolder:
    """What `boreline coregister` leaves for the page, with a path of our own."""
    along = path_px()[np.linspace(0, 199, N_FRAMES).astype(int)]
    steps = np.hypot(*np.diff(along, axis=0).T) * MM_PER_PX
    table = pd.DataFrame({"frame": np.arange(N_FRAMES) + 1, "x_px": along[:, 0], "y_px": along[:, 1]})
    table["arc_mm"] = np.concatenate([[0.0], np.cumsum(steps)])
    table.to_parquet(folder.path / "path.parquet")
    frames = folder.frames()
    frames["position_mm"] = table["arc_mm"].round(3)
    write_csv(FRAMES, frames, folder.path / "frames.csv")
    (folder.path / "profile.csv").unlink(missing_ok=True)
    folder.write_json("run.json", {**folder.record, "coregistration": {"xray_mm_per_px": MM_PER_PX}})
    save_vessel_picture(folder.path, *masked_frame(cine(text=text), 7), path_px(), MM_PER_PX)
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> ResultFolder:
    base = tmp_path_factory.mktemp("vessel")
    run = phantom_run(base / "phantom", "circle-3", frames=N_FRAMES, size=192)
    return coregistered(result_of_truth(run, base / "result"), text=True)


@pytest.fixture(scope="module")
def page(folder: ResultFolder) -> str:
    return write_report(folder, folder.open_run(), folder.path / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("quality", "bits"), [(None, 8), (90, 8), (None, 12)])
def test_every_letter_is_hidden_and_little_else(quality: int | None, bits: int) -> None:
    """Also after a lossy step that the file does not state, of which dark letters are not told from a vessel."""
    picture, hidden = masked_frame(replace(cine(text=True, quality=quality, bits=bits), lossy=False), 7)
    drawn = letters(WORDS if quality is None else WORDS[:2])
    assert drawn.sum() > 1500
    assert (drawn & ~hidden).sum() == 0
    assert (picture[hidden] == 0).all()
    boxes = np.zeros_like(hidden)
    for word, (x, y), size, _ in WORDS:
        (width, height), below = cv2.getTextSize(word, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
        boxes[max(0, y - height - 8) : y + below + 6, max(0, x - 24) : x + width + 24] = True
    assert (hidden & ~boxes).mean() < 0.002


@pytest.mark.parametrize(("quality", "bits"), [(None, 8), (90, 8), (None, 12)])
def test_a_picture_without_text_stays_as_it_is(quality: int | None, bits: int) -> None:
    """A beating vessel, its edges and the noise are no strokes."""
    _, hidden = masked_frame(replace(cine(text=False, quality=quality, bits=bits), lossy=False), 7)
    assert hidden.sum() == 0


def test_a_cine_too_short_to_tell_shows_nothing() -> None:
    _, hidden = masked_frame(replace(cine(text=False), n_frames=5), 2)
    assert hidden.all()


def test_nothing_of_a_lossy_cine_is_shown(folder: ResultFolder, tmp_path: Path) -> None:
    """However good the encoder: no grey of it is stored, and the page says why there is no picture."""
    copy = ResultFolder.open(shutil.copytree(folder.path, tmp_path / "copy"))
    save_vessel_picture(copy.path, *masked_frame(cine(text=True, quality=100), 7), path_px(), MM_PER_PX)
    assert cv2.imread(str(copy.path / FILE), cv2.IMREAD_GRAYSCALE).max() == 0
    text = write_report(copy, None, tmp_path / "p.html").read_text(encoding="utf-8")
    svg = text.split('<figure class="vessel"')[1].split("</figure>")[0]
    assert "compressed with loss" in svg
    assert "data:image" not in svg
    assert "blackened" not in svg


def test_blocks_do_not_show_what_they_hide() -> None:
    """A letter becomes its bounding box; a ruler across the picture does not become the picture."""
    strokes = np.zeros((200, 200), dtype=np.uint8)
    cv2.putText(strokes, "O", (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 1, 1)
    inside = solid_blocks(strokes > 0)
    rows, columns = np.nonzero(inside)
    assert inside[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1].all()
    ruler = np.zeros((200, 200), dtype=bool)
    ruler[10:190, 100] = ruler[100, 10:190] = True
    assert solid_blocks(ruler).mean() < 0.1


def test_the_page_shows_no_text_of_the_cine(folder: ResultFolder, page: str) -> None:
    """Scanned in pixels: the words' places hold one grey level only, and what is far from the path is black."""
    svg = page.split('<figure class="vessel"')[1].split("</figure>")[0]
    data = base64.b64decode(re.findall(r"base64,([A-Za-z0-9+/=]+)", svg)[0])
    shown = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    margin = MARGIN_MM / MM_PER_PX
    left, top = np.floor(path_px().min(axis=0) - margin).clip(0)
    full = np.zeros((SIDE, SIDE), dtype=np.uint8)
    scale = shown.shape[1] / (min(SIDE, np.ceil(path_px()[:, 0].max() + margin + 1)) - left)
    small = cv2.resize(shown, None, fx=1 / scale, fy=1 / scale)
    full[int(top) : int(top) + small.shape[0], int(left) : int(left) + small.shape[1]] = small
    assert full[238:249, 180:200].max() < 12, "across the path"
    assert full[letters()].max() < 40  # what is hidden is black but for the ringing of the picture's own JPEG
    assert full[letters()].mean() < 4
    assert (full > 100).mean() > 0.2, "the vessel itself is there"
    stored = cv2.imread(str(folder.path / FILE), cv2.IMREAD_GRAYSCALE)
    assert stored[letters()].max() == 0
    assert stored[:, :80].max() == 0, "far from the path"


def test_profile_and_vessel_name_the_same_places(folder: ResultFolder, page: str) -> None:
    data = json.loads(re.findall(r'class="data">(.*?)</script>', page)[0])
    assert data["frame"] == list(range(1, N_FRAMES + 1))
    places = np.array(data["vessel"])
    along = path_px()[np.linspace(0, 199, N_FRAMES).astype(int)]
    steps_page, steps_cine = (np.hypot(*np.diff(p, axis=0).T) for p in (places, along))
    np.testing.assert_allclose(steps_page / steps_cine, (steps_page / steps_cine).mean(), rtol=0.02)
    svg = page.split('<figure class="vessel"')[1].split("</figure>")[0]
    assert "smallest lumen" in svg
    labels = re.findall(r'class="mm"[^>]*>(\d+)<', svg)
    length = folder.frames()["position_mm"].max()
    assert labels == [str(mm) for mm in range(0, int(length) + 1, 5)]


def test_a_folder_without_the_picture_shows_the_path_and_says_so(folder: ResultFolder, tmp_path: Path) -> None:
    shutil.copytree(folder.path, tmp_path / "copy")
    (tmp_path / "copy" / FILE).unlink()
    text = write_report(ResultFolder.open(tmp_path / "copy"), None, tmp_path / "p.html").read_text(encoding="utf-8")
    svg = text.split('<figure class="vessel"')[1].split("</figure>")[0]
    assert "run boreline coregister again" in svg
    assert "data:image" not in svg


_PROBE = """
<script>
const svg = document.querySelector("figure.profile svg"), vessel = document.querySelector("figure.vessel svg");
const here = vessel.querySelector(".here"), cursor = svg.querySelector(".cursor");
const data = JSON.parse(document.querySelector(".data").textContent);
const send = (drawing, kind, x, y) => {
  const box = drawing.getBoundingClientRect(), view = drawing.viewBox.baseVal;
  const scale = Math.min(box.width / view.width, box.height / view.height);
  drawing.dispatchEvent(new PointerEvent(kind, {
    clientX: box.left + box.width / 2 + (x - view.width / 2) * scale,
    clientY: box.top + box.height / 2 + (y - view.height / 2) * scale,
  }));
};
const seen = () => [here.getAttribute("visibility"), +here.getAttribute("cx"), +cursor.getAttribute("x1")];
const out = [seen()[0]];
send(svg, "pointermove", data.x[5], 100); out.push(seen());
send(vessel, "pointermove", ...data.vessel[12]); out.push(seen());
send(vessel, "click", ...data.vessel[12]);
send(svg, "pointermove", data.x[2], 100); out.push(seen());
send(svg, "click", data.x[2], 100); out.push(seen());
document.body.dataset.probe = JSON.stringify({out, x: data.x, vessel: data.vessel});
</script></body>"""


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
def test_pointing_at_one_drawing_shows_the_place_in_the_other(page: str, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(page.replace("</body>", _PROBE), encoding="utf-8")
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    command += ["--window-size=1280,800", "--dump-dom", (tmp_path / "page.html").as_uri()]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    probe = json.loads(html.unescape(re.findall(r'data-probe="([^"]*)"', told)[0]))
    hidden, from_profile, from_vessel, held, moved = probe["out"]
    x, vessel = probe["x"], probe["vessel"]
    assert hidden == "hidden"
    assert from_profile == ["visible", vessel[5][0], x[5]]
    assert from_vessel == ["visible", vessel[12][0], x[12]]
    assert held == from_vessel, "a click holds the place"
    assert moved == ["visible", vessel[2][0], x[2]], "a second click lets it go"
