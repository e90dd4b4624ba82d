"""Whenever a command dies, its folder is the old one or the new one, and the next run clears what was left."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from deaths import Mortal, beside, contents

from boreline.results import ResultFolder

ANALYSE = ("analyse", "RUN", "--out", "CASE")
OVERWRITE = (*ANALYSE, "--overwrite")
PLAN = ("plan", "CASE", "--distal", "0.05", "--proximal", "0.15")
EXPORT = ("export", "CASE", "--key", "KEY")
APPLY = ("review", "CASE", "--apply", "LOG")
ENDINGS = {signal.SIGTERM: (143, "boreline: terminated\n"), signal.SIGINT: (130, "boreline: interrupted\n")}


DEATHS = int(os.environ.get("BORELINE_DEATHS", "0"))
"""How often each command dies of each signal, instead of once or twice."""


@pytest.fixture(scope="module")
def undisturbed() -> dict[tuple[str, ...], tuple[int, dict[str, str]]]:
    """How many writes a command makes and what it leaves, filled by the first test of each."""
    return {}


@pytest.fixture
def case(tmp_path: Path) -> Path:
    return tmp_path / "work" / "case"


@pytest.fixture
def words(run_file: Path, edit_log: Path, tmp_path: Path, case: Path) -> dict[str, str]:
    key = tmp_path / "site.key"
    key.write_text("sixteen bytes or more")
    case.parent.mkdir()
    return {"RUN": str(run_file), "CASE": str(case), "KEY": str(key), "LOG": str(edit_log)}


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
@pytest.mark.parametrize(
    "command", [ANALYSE, OVERWRITE, PLAN, EXPORT, APPLY], ids=["new", "over", "plan", "exp", "app"]
)
def test_a_command_that_dies_at_a_write_leaves_old_or_new(
    command: tuple[str, ...],
    number: signal.Signals,
    mortal: Mortal,
    analysed: Path,
    case: Path,
    words: dict[str, str],
    undisturbed: dict[tuple[str, ...], tuple[int, dict[str, str]]],
) -> None:
    """The writes are drawn anew in each run of the suite; the seed is in the message of a failure."""
    args = [words.get(word, word) for word in command]

    def prepare() -> dict[str, str]:
        shutil.rmtree(case, ignore_errors=True)
        if command is ANALYSE:
            return {}
        shutil.copytree(analysed, case)
        if command is OVERWRITE:
            (case / "stale.txt").write_text("goes with the old folder")
        return contents(case)

    old = prepare()
    if command not in undisturbed:
        whole = mortal.run(*args, under=case.parent)
        assert (whole.status, whole.said) == (0, "")
        undisturbed[command] = whole.writes, contents(case)
    writes, new = undisturbed[command]
    assert new != old
    seed = int.from_bytes(os.urandom(4), "big")
    deaths = min(DEATHS or (2 if command in (PLAN, APPLY) else 1), writes)
    for nth in random.Random(seed).sample(range(1, writes + 1), deaths):
        where = f"seed {seed}, write {nth} of {writes}"
        assert prepare() == old
        death = mortal.run(*args, under=case.parent, signal=number, nth=nth)
        if number is signal.SIGKILL:
            assert death.status == -signal.SIGKILL, where
        else:
            assert (death.status, death.said) == ENDINGS[number], where
            assert not [name for name in beside(case) if name.endswith(".partial")], where
        if old or case.exists():
            ResultFolder.open(case)  # finishes or discards what was cut off
        after = contents(case)
        if command is APPLY and after not in (old, new):  # the log is in, the tables follow when it is applied again
            assert after.pop("edits/ann.jsonl") == new["edits/ann.jsonl"], where
        assert after in (old, new), where
        if not (command is ANALYSE and case.exists()):  # else it refuses to replace what is there
            assert mortal.run(*args, under=case.parent).status == 0, where
            assert contents(case) == new, where
            assert beside(case) == [], where
            assert not (case / ".pending").exists(), where


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
def test_a_program_of_its_own_ends_with_one_line(number: signal.Signals, run_file: Path, tmp_path: Path) -> None:
    """A signal some time into the work, without any arrangement inside the program."""
    command = [sys.executable, "-c", "from boreline_cli.main import main; main()", "analyse", str(run_file)]
    out = tmp_path / "work" / "case"
    with subprocess.Popen([*command, "--out", str(out)], stderr=subprocess.PIPE, text=True) as process:
        time.sleep(1.0)
        process.send_signal(number)
        said = process.communicate(timeout=30)[1]
    if process.returncode != 0:  # it may have been faster
        assert (process.returncode, said) == ENDINGS[number]
        assert not out.exists()
    assert beside(out) == []
