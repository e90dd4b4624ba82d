"""The page's modules: types by `tsc --checkJs` where it is installed, and rules that a reader of the code relies on."""

from __future__ import annotations

import re
import shutil
import subprocess
from importlib import resources
from pathlib import Path

import pytest

STATIC = Path(str(resources.files("boreline.review").joinpath("static")))
OWN = sorted(path for path in STATIC.glob("*.js") if path.name != "uPlot.js")


@pytest.mark.parametrize("path", OWN, ids=lambda path: path.name)
def test_modules_are_checked_small_and_make_no_markup_from_text(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.startswith("// @ts-check\n")
    assert text.count("\n") <= 400
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|https?://(?!www\.w3\.org)", text
    )


def test_the_page_holds_no_inline_script_style_or_foreign_address() -> None:
    html = (STATIC / "index.html").read_text(encoding="utf-8")
    assert not re.search(r"<script(?![^>]*\bsrc=)|\bon\w+=|\bstyle=|https?://", html)


def test_the_chart_library_keeps_its_licence_beside_it() -> None:
    assert "MIT" in (STATIC / "uPlot.LICENSE").read_text(encoding="utf-8")
    assert (STATIC / "uPlot.js").is_file()


def test_types_hold() -> None:
    compiler = shutil.which("tsc")
    if compiler is None:
        pytest.skip("tsc is not installed")
    options = "--noEmit --allowJs --checkJs --strict --target es2022 --lib es2022,dom,dom.iterable --module es2022"
    command = [compiler, *options.split(), "--moduleResolution", "bundler", "main.js"]
    found = subprocess.run(command, cwd=STATIC, capture_output=True, text=True, check=False)
    assert [line for line in found.stdout.splitlines() if "error" in line and not line.startswith("uPlot.js")] == []
