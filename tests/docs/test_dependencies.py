"""Dependencies: each justified, each with a lower bound, none under the GPL."""

from __future__ import annotations

import re
import runpy
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def licences() -> dict[str, Any]:
    return runpy.run_path(str(ROOT / ".ci" / "licences.py"))


def test_none_is_under_the_gpl_and_each_states_its_licence(licences: dict[str, Any]) -> None:
    packages = licences["needed"]()
    assert {"numpy", "pydicom", "typer", "llvmlite", "markupsafe"} <= packages.keys()  # direct and indirect ones
    stated = {name: licences["licence"](package) for name, package in packages.items()}
    assert all(stated.values()), stated
    assert [name for name, text in stated.items() if licences["under_gpl"](text)] == []


@pytest.mark.parametrize(
    ("text", "gpl"),
    [
        ("GPL-3.0-only", True),
        ("AGPL-3.0-or-later", True),
        ("GNU General Public License v3 (GPLv3)", True),
        ("GNU Affero General Public License v3", True),
        ("MIT AND GPL-2.0-only", True),
        ("MIT OR GPL-2.0-only", False),
        ("LGPL-2.1-or-later", False),
        ("GNU Lesser General Public License v3 (LGPLv3)", False),
        ("BSD-3-Clause", False),
    ],
)
def test_licences_are_told_apart(licences: dict[str, Any], text: str, gpl: bool) -> None:
    """Expressions of SPDX and classifiers of the Python package index."""
    assert licences["under_gpl"](text) is gpl


def test_every_dependency_has_a_lower_bound_and_a_reason() -> None:
    project = ROOT / "pyproject.toml"
    bounds = runpy.run_path(str(ROOT / ".ci" / "lower_bounds.py"))["lower_bounds"](project)
    direct = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["dependencies"]
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Dependencies")[2]
    explained = [name for row in re.findall(r"^\| ([a-z0-9, -]+) \|", table, re.MULTILINE) for name in row.split(", ")]
    wanted = sorted(name for name in bounds if any(line.startswith(f"{name}>=") for line in direct))
    assert sorted(set(explained) - {"package"}) == wanted
