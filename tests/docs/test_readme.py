"""Every command block of the README and every Python block of `docs/` runs as it stands, in the order of the page."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from boreline.results import ResultFolder
from boreline_cli.main import main
from boreline_phantoms import filmed
from boreline_phantoms.demo_case import CASE, demo_case
from boreline_phantoms.media import write_media
from boreline_phantoms.writing import write_scene

ROOT = Path(__file__).parents[2]
BLOCK = re.compile(r"^(?P<margin> *)```(?P<language>\w+)\n(?P<code>.*?)^(?P=margin)```$", re.MULTILINE | re.DOTALL)
FRAMES, FILMED_FRAMES, COLUMNS = 36, 54, 256

DEMO = "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/boreline demo"
TESTS = (
    "python3 -m venv .venv-test && .venv-test/bin/pip install -q -e '.[test]' && "
    ".venv-test/bin/python -m pytest -q -n 2"
)
FRESH_MACHINE = (DEMO, TESTS)
"""What needs a fresh machine: `.ci/run` runs it."""
SHELL_SETUP = (". .venv/bin/activate", "boreline --install-completion")
"""What changes the user's shell."""


@dataclass(frozen=True)
class Block:
    language: str
    code: str


def blocks(page: str) -> list[Block]:
    found = []
    for match in BLOCK.finditer((ROOT / page).read_text(encoding="utf-8")):
        margin = len(match["margin"])
        lines = [line[margin:] for line in match["code"].splitlines()]
        found.append(Block(match["language"], "\n".join(lines)))
    return found


def commands(page: str) -> list[list[str]]:
    lines = [line for block in blocks(page) if block.language == "sh" for line in block.code.splitlines()]
    return [shlex.split(line) for line in lines if line not in (*FRESH_MACHINE, *SHELL_SETUP)]


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where `boreline demo` was run, with fewer frames; the films of the run by hand are cut short as well."""
    place = tmp_path_factory.mktemp("newcomer")
    runs = []
    for number, scene in enumerate(demo_case()):
        speed_mm_s = scene.acquisition.speed_mm_s * scene.n_frames / FRAMES
        short = replace(scene, acquisition=replace(scene.acquisition, speed_mm_s=speed_mm_s))
        short = short.with_(frames=FRAMES, size=COLUMNS)
        runs.append(write_scene(short, place / f"drawn{number}", study=CASE))
    write_media(runs, place / "boreline-demo" / "export")
    (place / "README.md").write_text("no run\n")
    whole = filmed.xray_scene

    def cut(level: str, seed: int = 1, *, seconds: float = 30.0) -> Any:
        scene = whole(level, seed, seconds=seconds)
        return replace(scene, fluoro=replace(scene.fluoro, n_frames=48), cine=replace(scene.cine, n_frames=45))

    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        patch.setattr(filmed, "xray_scene", cut)
        yield place


def run(words: list[str]) -> None:
    """One command of the page."""
    assert words[0] == "boreline", words
    if "review" in words and "--apply" not in words:
        serve(words[1:])
        return
    if "--frames" in words:
        words[words.index("--frames") + 1 :] = [str(FILMED_FRAMES), "--size", str(COLUMNS)]
    with pytest.raises(SystemExit) as ended:
        main(words[1:])
    assert not ended.value.code, words


def serve(words: list[str]) -> None:
    """Start the page without a browser, read it once and stop it."""
    program = [sys.executable, "-c", "from boreline_cli.main import main; main()", *words, "--no-browser"]
    with subprocess.Popen(program, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = next(word for word in server.stdout.readline().split() if word.startswith("http"))
            with urllib.request.urlopen(address.partition("#")[0], timeout=20) as answer:
                assert b"<title>" in answer.read()
        finally:
            server.terminate()
        server.wait(timeout=20)


def test_the_tutorial_ends_in_a_case_signed_off(newcomer: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for block in blocks("README.md"):
        if block.language == "python":
            exec(compile(block.code, "README.md", "exec"), {})
        else:
            assert block.language == "sh"
            for line in block.code.splitlines():
                if line not in (*FRESH_MACHINE, *SHELL_SETUP):
                    run(shlex.split(line))
    said = capsys.readouterr().out
    assert "boreline analyse boreline-demo/export/PT000000/ST000000/SE000000/IM000000" in said  # what inspect proposes
    case = newcomer / "case"
    assert ResultFolder.open(case / "before").frames()["reviewed"].all()
    plan = json.loads((case / "before" / "plan.json").read_text())
    assert not any("not reviewed" in note for note in plan["notes"])
    assert f"{FRAMES} of {FRAMES} frames reviewed by an operator" in (case / "report.html").read_text()
    assert len(json.loads((case / "implanted" / "assessment.json").read_text())["rules"]) > 30
    assert len(list((case / "for-the-archive" / "dicom").glob("*.dcm"))) == 2
    assert (newcomer / "by-hand" / "case" / "path.parquet").exists()
    described = (ROOT / "README.md").read_text().partition("## What a result folder holds")[2]
    for folder in (case / "before", case / "implanted", newcomer / "by-hand" / "case", case / "for-the-archive"):
        for path in folder.iterdir():
            assert f"`{path.name}" in described or path.name.startswith("."), path


def test_the_python_page_runs(newcomer: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After the tutorial, as the page says."""
    assert (newcomer / "by-hand" / "run.dcm").exists()
    names: dict[str, Any] = {}
    for block in blocks("docs/python.md"):
        if block.language == "python":
            exec(compile(block.code, "docs/python.md", "exec"), names)
    assert float(capsys.readouterr().out.split()[-1]) == pytest.approx(7.07, abs=0.01)


def test_the_commands_for_a_fresh_machine_are_those_that_the_checks_run() -> None:
    page, checks = (ROOT / "README.md").read_text(), (ROOT / ".ci" / "run").read_text()
    assert [block.code for block in blocks("README.md")[:2]] == list(FRESH_MACHINE)
    assert "<!-- tests -->\n```sh\n" + TESTS in page
    assert "/<!-- tests -->/" in checks
    assert 'pip" install -q --disable-pip-version-check "$work"/dist/boreline-*.whl' in checks
    assert '/bin/boreline" demo' in checks


def test_whatever_the_pages_name_exists() -> None:
    for page in ("README.md", "DEVELOPERS.md", "docs/python.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (ROOT / page).parent.joinpath(target).exists(), (page, target)
        for path in re.findall(r"`((?:tests|docs|benchmarks|\.ci)/[\w/.-]+)`", text):
            assert (ROOT / path).exists(), (page, path)
