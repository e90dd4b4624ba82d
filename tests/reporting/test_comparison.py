"""Several runs of one vessel on one page: named, in order, laid over each other, with the gain at every position."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from result_folders import phantom_run, result_of_truth

from boreline.errors import InputRefused
from boreline.model import Phase
from boreline.reporting.comparison import Comparison, compare_runs
from boreline.results import ResultFolder
from boreline.workflow.report import report
from boreline_cli.main import main


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    base = tmp_path_factory.mktemp("case")
    before = phantom_run(base / "b", "circle-3", frames=20, size=160)
    after = phantom_run(base / "a", "circle-5", frames=20, size=160)
    result_of_truth(before, base / "before")
    result_of_truth(after, base / "after", phase=Phase.IMPLANTED)
    return base / "before", base / "after"


def profile(folder: Path, lumen_mm2: np.ndarray, eem_mm2: np.ndarray, stent_mm2: np.ndarray) -> pd.DataFrame:
    """A profile of our own on a 0.1-mm grid, in the form of `profile.csv`."""
    table = ResultFolder.open(folder).profile()
    assert table is not None
    n = len(lumen_mm2)
    grown = table.iloc[[0] * n].reset_index(drop=True)
    return grown.assign(
        position_mm=np.arange(n) * 0.1,
        frame=np.arange(n) + 1,
        n_frames=1,
        lumen_area_mm2=lumen_mm2,
        eem_area_mm2=eem_mm2,
        stent_area_mm2=stent_mm2,
        flags="",
    )


@pytest.fixture(scope="module")
def pair(folders: tuple[Path, Path]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """30 mm of one vessel: a narrowing of 3 mm2 at 15 mm is gone afterwards; the second run starts 2 mm further on."""
    x = np.arange(300) * 0.1
    eem = 12 + 3 * np.sin(x / 3.0)
    before = 8 - 5 * np.exp(-(((x - 15) / 2) ** 2))
    after = np.full(300, 8.0)
    stent = np.where((x > 10) & (x < 20), 7.8, np.nan)
    late = slice(20, None)
    return (
        profile(folders[0], before, eem, np.full(300, np.nan)),
        profile(folders[0], after[late], eem[late], stent[late]),
    )


def test_the_gain_is_found_where_it_was_made(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """By construction: 5 mm2 at 15 mm of the first run, which is 13 mm of the second; nothing far from it."""
    compared = compare_runs([("before", pair[0]), ("implanted", pair[1])])
    assert isinstance(compared, Comparison)
    rows = {round(position): (areas, gain) for position, areas, gain, _ in compared.rows}
    assert rows[12][1] > 3
    assert rows[14][1] > 3
    assert abs(rows[4][1]) < 0.3
    assert abs(rows[22][1]) < 0.3
    assert "EEM" in compared.methods[0]
    gains = next(answer for answer in compared.answers if "gain" in answer.title)
    assert "within the stent" in gains.title
    assert float(gains.value.split()[0]) == pytest.approx(1.77, abs=0.35)  # 5 sqrt(pi) 2 mm2 mm over 10 mm
    assert "3.00 → 8.00 mm²" in compared.answers[0].value


def test_places_that_the_operator_identified_rule(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    compared = compare_runs([("before", pair[0]), ("implanted", pair[1])], [(5.0, 3.0), (25.0, 23.0)])
    assert isinstance(compared, Comparison)
    assert "fiducials set by the operator" in compared.methods[0]
    position, areas, gain, stent = next(row for row in compared.rows if round(row[0]) == 12)
    assert (position, stent) == (12.0, 7.8)
    assert areas[0] == pytest.approx(8 - 5 * np.exp(-0.25), abs=1e-6)
    assert gain == pytest.approx(5 * np.exp(-0.25), abs=1e-6)


def test_three_runs_are_all_drawn_and_the_gain_is_from_first_to_last(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    compared = compare_runs([("before", pair[0]), ("implanted", pair[1]), ("post dilated", pair[1])])
    assert isinstance(compared, Comparison)
    lumens = [(c.name, c.age) for c in compared.figure.curves if c.kind == "lumen"]
    assert lumens == [("before", 2), ("implanted", 1), ("post dilated", 0)]
    assert all(gain == areas[2] - areas[0] for _, areas, gain, _ in compared.rows if np.isfinite(gain))


def test_runs_that_cannot_be_laid_over_each_other_say_why(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    assert compare_runs([("before", None), ("implanted", pair[1])]) == "no millimetres along the vessel in: before"
    assert "too little" in str(compare_runs([("before", pair[0].head(30)), ("implanted", pair[1])]))


def heads(page: str) -> list[str]:
    return re.findall(r"<th>Lumen ([a-z ]+), mm²</th>", page)


def test_runs_stand_in_the_order_of_their_phases(folders: tuple[Path, Path], tmp_path: Path) -> None:
    before, after = folders
    made = report([after, before], out=tmp_path / "page.html")
    page = made.page.read_text(encoding="utf-8")
    assert "before → implanted</h1>" in page
    assert page.index('id="run1"') < page.index('id="run2"')
    assert "not reviewed by an operator" in page
    assert "Not laid over each other" in page  # 20 frames are a piece too short to align


def test_a_case_file_names_runs_and_places(
    folders: tuple[Path, Path], pair: tuple[pd.DataFrame, pd.DataFrame], tmp_path: Path
) -> None:
    from boreline.columns import PROFILE
    from boreline.results.tables import write_csv

    for source, name, table in zip(folders, ("before", "after"), pair, strict=True):
        shutil.copytree(source, tmp_path / name)
        write_csv(PROFILE, table, tmp_path / name / "profile.csv")
    case = tmp_path / "case.toml"
    case.write_text(
        '[[run]]\nfolder = "after"\nphase = "implanted"\n[[run]]\nfolder = "before"\nphase = "before"\n'
        "[[fiducial]]\nbefore_mm = 5\nafter_mm = 3\n"
    )
    made = report([case])
    page = made.page.read_text(encoding="utf-8")
    assert made.page == tmp_path / "case_report.html"
    assert heads(page) == ["before", "implanted"]
    assert "fiducials set by the operator" in page
    still = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "<strong>+3.89</strong>" in still, "5 exp(-1/4) at 12 mm, readable without scripts"
    assert 'class="gain" d="M' in still


def test_runs_of_different_vessels_are_refused(folders: tuple[Path, Path], tmp_path: Path) -> None:
    shutil.copytree(folders[1], tmp_path / "other")
    other = ResultFolder.open(tmp_path / "other")
    other.write_json("run.json", {**other.record, "vessel": "rca"})
    with pytest.raises(InputRefused, match="different vessels: lad, rca"):
        report([folders[0], tmp_path / "other"], out=tmp_path / "page.html")
    assert not (tmp_path / "page.html").exists()


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
def test_several_runs_print_to_pdf(folders: tuple[Path, Path], tmp_path: Path) -> None:
    made = report(list(folders), out=tmp_path / "page.html", pdf=True)
    assert made.pdf == tmp_path / "page.pdf"
    data = made.pdf.read_bytes()
    assert data.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", data)) >= 2, "tables and pictures of two runs need more than one sheet"


def test_without_a_browser_one_line_says_so_and_nothing_is_written(
    folders: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SystemExit) as ended:
        main(["report", *map(str, folders), "--out", str(tmp_path / "page.html"), "--pdf"])
    assert ended.value.code == 2
    complaint = capsys.readouterr().err.splitlines()
    assert len(complaint) == 1
    assert "no Chromium" in complaint[0]
    assert "leave --pdf out" in complaint[0]
    assert not (tmp_path / "page.html").exists()
