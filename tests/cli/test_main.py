"""The command line as a whole: refusals are one line and exit 2, help is quick, everything is listed."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

import boreline
import boreline_cli
import boreline_phantoms
from boreline.expansion.case_file import read_case
from boreline.expansion.criteria import load_criteria
from boreline_cli.main import build_app, main


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(args)
    captured = capsys.readouterr()
    return int(ended.value.code or 0), captured.out, captured.err


def test_a_refusal_is_one_line_on_stderr_and_exit_2(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "a.dcm").write_text("text")
    status, out, err = run(capsys, "analyse", str(tmp_path / "a.dcm"), "--out", str(tmp_path / "out"))
    assert status == 2
    assert out == ""
    assert len(err.splitlines()) == 1
    assert "a.dcm" in err


@pytest.mark.parametrize(
    ("args", "words", "page"),
    [
        (["nonsense"], "nonsense", "boreline --help"),
        (["anlyse"], "Did you mean 'analyse'", "boreline --help"),
        (["analyse"], "RUN.dcm", "boreline analyse --help"),
        (["analyse", "x.dcm"], "--out", "boreline analyse --help"),
        (["analyse", "x.dcm", "--out", "o", "--threads", "no"], "--threads", "boreline analyse --help"),
        (["analyse", "x.dcm", "--out", "o", "--vessel", "leg"], "lad", "boreline analyse --help"),
        (["benchmark", "speed", "--nonsense"], "--nonsense", "boreline benchmark speed --help"),
    ],
)
def test_a_wrong_command_is_one_line_and_exit_2(
    capsys: pytest.CaptureFixture[str], args: list[str], words: str, page: str
) -> None:
    status, _, err = run(capsys, *args)
    assert status == 2
    assert len(err.splitlines()) == 1
    assert words in err
    assert f"'{page}'" in err


def test_a_wrong_scale_is_refused_before_anything_is_read(capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, "analyse", "x.dcm", "--out", "o", "--mm-per-pixel", "0.02,-1")
    assert status == 2
    assert "--mm-per-pixel" in err


def test_help_answers_without_the_heavy_libraries() -> None:
    code = (
        "import sys; sys.argv = ['boreline', '--help']\n"
        "from boreline_cli.main import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numba', 'scipy', 'pandas', 'cv2', 'skimage', 'pydicom', 'highdicom', 'distributed', 'pyarrow'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "HEAVY []"


def test_every_command_of_the_contract_exists_and_each_has_an_example() -> None:
    def commands(group: Any, path: str = "") -> Iterator[tuple[str, str]]:
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                yield from commands(command, f"{path}{name} ")
            else:
                yield f"{path}{name}", command.help or ""

    found = dict(commands(typer.main.get_command(build_app())))
    assert [name for name, text in found.items() if f"Example: boreline {name}" not in text] == []
    assert {
        "inspect", "analyse", "reanalyse", "coregister", "review", "plan", "assess", "rules", "report", "export",
        "batch", "columns", "demo", "phantom", "benchmark speed", "benchmark segmenters",
    } <= found.keys()  # fmt: skip


def test_columns_prints_the_dictionary(capsys: pytest.CaptureFixture[str]) -> None:
    import json

    _, out, _ = run(capsys, "columns", "--json")
    described = json.loads(out)
    assert "lumen_area_mm2" in [column["name"] for column in described["tables"]["frames.csv"]]
    assert described["flags"]["in_guide"]


def test_every_refusal_says_what_to_do() -> None:
    files = [
        path
        for package in (boreline, boreline_cli, boreline_phantoms)
        for folder in package.__path__
        for path in sorted(Path(folder).rglob("*.py"))
    ]
    raised = [
        (path, node)
        for path in files
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "InputRefused"
    ]
    assert len(raised) > 200
    silent = [
        f"{path.name}:{call.lineno}"
        for path, call in raised
        if not any(keyword.arg in {"remedy", None} for keyword in call.keywords)
    ]
    assert silent == []


def test_the_files_in_the_help_texts_are_read(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    def file_in_help(command: str) -> Path:
        _, out, _ = run(capsys, command, "--help")
        lines = [line.strip() for line in out.partition("[[")[2].partition("Example:")[0].splitlines()]
        path = tmp_path / f"{command}.toml"
        path.write_text("[[" + "\n".join(lines), encoding="utf-8")
        return path

    assert [rule.id for rule in load_criteria(file_in_help("rules"))][-1] == "ours"
    case = read_case(file_in_help("report"))
    assert (case.before, case.after, case.fiducials) == (tmp_path / "before", tmp_path / "after", ((12.4, 11.8),))
