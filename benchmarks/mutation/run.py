"""Mutation study: how often the tests notice that a line of geometry, sizing or expansion is changed.

Mutants are those of cosmic-ray (https://pypi.org/project/cosmic-ray). A package has thousands, so a random sample is
taken, without mutants that change nothing but annotations or docstrings. One run under coverage tells which tests
execute which line; each mutant then lives in a process of its own that imports the changed module from memory (no file
is touched) and runs only the tests that execute the changed statement, quickest first, until one fails. What is not
inside a function (constants, classes) has to stand every test of the package.

    pip install cosmic-ray
    nice -n 15 python benchmarks/mutation/run.py geometry 120 benchmarks/mutation/geometry.json --seed 1

A target that exists is continued: mutants already in it are not run again. `--again` runs its survivors anew instead.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).parents[2]
LIBRARY = ROOT / "pipeline" / "boreline"
WITHOUT_MACHINE_CODE = {"geometry"}
"""Packages whose loops are compiled: run as plain Python here, or the tests would meet the old machine code."""
COMPILER = ("geometry", "compiled")
"""The one module that is about machine code: its tests run with it, and no other test does."""
COMPILER_TESTS = "tests/geometry/test_compiled.py"

if WITHOUT_MACHINE_CODE & set(sys.argv[1:2]):
    os.environ["NUMBA_DISABLE_JIT"] = "1"  # read when numba is imported

import coverage  # noqa: E402
import hypothesis  # noqa: E402
import pytest  # noqa: E402
from cosmic_ray.ast import ast_nodes, get_ast  # noqa: E402
from cosmic_ray.mutating import mutate_code  # noqa: E402
from cosmic_ray.operators.provider import OperatorProvider  # noqa: E402
from numba.core import config as numba_config  # noqa: E402

CPU_SECONDS = 60
SLOW = "not three_thousand and not ragged_shapes_agree and not intervals_contain"
SLOW_SECONDS = 4.0
"""Tests left out, by name or because they take longer: a survivor may be one that they kill."""
LEFT_OUT = {("sizing", "map_figure")}
"""A drawing: most of its mutants move a text by some pixels."""
PACKAGES = {
    "geometry": ["tests/geometry"],
    "sizing": ["tests/sizing", "tests/published/test_sizing_examples.py", "tests/expansion"],
    "expansion": ["tests/expansion", "tests/published/test_worked_examples.py"],
}

Mutant = tuple[str, str, int]  # module, operator, occurrence


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from a changed source."""

    def __init__(self, name: str, path: Path, source: str) -> None:
        self._name, self._path, self._source = name, path, source

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> Any:
        """The changed module only."""
        if fullname != self._name:
            return None
        places = [str(self._path.parent)] if self._path.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(
            fullname, self._path, loader=self, submodule_search_locations=places
        )

    def create_module(self, spec: object) -> None:
        """As usual."""

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed source."""
        exec(compile(self._source, str(self._path), "exec"), module.__dict__)


class Recorder:
    """Notes for each test how long it takes, and under its name the lines that it executes."""

    def __init__(self, watch: coverage.Coverage | None = None) -> None:
        self._watch = watch
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Around each test."""
        if self._watch is not None:
            self._watch.switch_context(item.nodeid)
        start = time.process_time()
        yield
        self.seconds[item.nodeid] = time.process_time() - start
        if self._watch is not None:
            self._watch.switch_context("")


# ------------------------------------------------------------------------------------------------ mutants


def bare(source: str) -> str:
    """The code without annotations and docstrings: mutants of these cannot change what it does."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        for name in ("annotation", "returns"):
            if getattr(node, name, None) is not None:
                setattr(node, name, ast.Constant(value=None))
        body = getattr(node, "body", None)
        if (
            isinstance(body, list)
            and body
            and isinstance(body[0], ast.Expr)
            and isinstance(body[0].value, ast.Constant)
        ):
            body[0].value = ast.Constant(value="")
    return ast.dump(tree)


def changes(before: str, after: str) -> bool:
    """Whether a mutant is Python and does something else; neither is worth a run otherwise."""
    try:
        return bare(after) != bare(before)
    except SyntaxError:
        return False


def mutants(package: str) -> list[Mutant]:
    """Every mutant of every module of a package, annotations included."""
    provider, found = OperatorProvider(), []
    for path in sorted((LIBRARY / package).glob("*.py")):
        if (package, path.stem) in LEFT_OUT:
            continue
        nodes = list(ast_nodes(get_ast(path.read_text(encoding="utf-8"))))
        for name in provider:
            operator = provider[name]
            if operator.arguments():
                continue
            n = sum(1 for node in nodes for _ in operator().mutation_positions(node))
            found += [(path.stem, name, occurrence) for occurrence in range(n)]
    return found


def difference(before: str, after: str) -> tuple[int, str, str]:
    """Number of the first line that differs, and that line before and after."""
    old, new = before.splitlines(), after.splitlines()
    line = next((i for i, (a, b) in enumerate(zip(old, new, strict=False)) if a != b), min(len(old), len(new)) - 1)
    return line + 1, old[line].strip(), new[line].strip()


# ------------------------------------------------------------------------------------------------ tests


def reach(source: str, line: int) -> range | None:
    """Lines whose execution means that the code at `line` ran; None outside functions, where all tests may notice."""
    tree = ast.parse(source)
    functions = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.lineno <= line <= (node.end_lineno or 0)
    ]
    if not functions:
        return None
    function = max(functions, key=lambda node: node.lineno)
    if line < function.body[0].lineno:
        return range(function.body[0].lineno, (function.end_lineno or 0) + 1)
    statements = [
        node
        for node in ast.walk(function)
        if isinstance(node, ast.stmt) and node is not function and node.lineno <= line <= (node.end_lineno or 0)
    ]
    inner = max(statements, key=lambda node: node.lineno)
    body = getattr(inner, "body", None)
    last = body[0].lineno - 1 if isinstance(body, list) and body else inner.end_lineno or 0
    return range(inner.lineno, max(last, inner.lineno) + 1)


class Tests:
    """The tests of a package, which lines each executes, and how long each takes."""

    def __init__(self, package: str) -> None:
        self._lines: dict[str, dict[int, list[str]]] = {}
        with tempfile.TemporaryDirectory() as folder:
            data, notes = Path(folder) / "coverage", Path(folder) / "seconds.json"
            code = in_child(lambda: self._record(package, data, notes), seconds=None)
            if code != 0:
                raise SystemExit("the tests fail on unchanged code: nothing can be learnt from mutants")
            found = coverage.CoverageData(basename=str(data))
            found.read()
            for path in (LIBRARY / package).glob("*.py"):
                self._lines[path.stem] = found.contexts_by_lineno(str(path))
            seconds: dict[str, float] = json.loads(notes.read_text(encoding="utf-8"))
            self.seconds = {name: taken for name, taken in seconds.items() if taken <= SLOW_SECONDS}

    @staticmethod
    def _record(package: str, data: Path, notes: Path) -> int:
        watch = coverage.Coverage(data_file=str(data), source=[str(LIBRARY / package)], branch=False, config_file=False)
        recorder = Recorder(watch)
        watch.start()
        code = run_tests([*PACKAGES[package], f"--ignore={COMPILER_TESTS}"], recorder)
        watch.stop()
        watch.save()
        notes.write_text(json.dumps(recorder.seconds), encoding="utf-8")
        return code

    def of(self, module: str, source: str, line: int) -> list[str]:
        """Tests that execute a line, quickest first."""
        lines = reach(source, line)
        if lines is None:
            return sorted(self.seconds, key=self.seconds.__getitem__)
        names = {name for at in lines for name in self._lines[module].get(at, ()) if name in self.seconds}
        return sorted(names, key=self.seconds.__getitem__)


def run_tests(names: Sequence[str], recorder: Recorder, *options: str) -> int:
    """Exit status of pytest on files or tests, stopping at the first failure."""
    plugins = [f"no:{name}" for name in ("cacheprovider", "xdist", "cov")]
    quiet = ["-x", "-q", "-k", SLOW, "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*quiet, *(f"-p{name}" for name in plugins), *options, *names], plugins=[recorder]))


def in_child(job: Any, *, seconds: int | None) -> int:
    """Status of a job in a process of its own, silent; a negative signal number when it was killed."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            silence = os.open(os.devnull, os.O_RDWR)
            for stream in (1, 2):
                os.dup2(silence, stream)
            if seconds is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
            os.chdir(ROOT)
            status = job()
        finally:
            os._exit(status)
    _, code = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(code)


def outcome_of(package: str, module: str, source: str, names: Sequence[str]) -> str:
    """`survived` when every test passes with the changed module, else `killed` or `timeout`."""
    if (package, module) == COMPILER:
        names = [COMPILER_TESTS]
    if not names:
        return "not covered"

    def job() -> int:
        if (package, module) == COMPILER:
            numba_config.DISABLE_JIT = 0
        name = f"boreline.{package}" + ("" if module == "__init__" else f".{module}")
        sys.meta_path.insert(0, Changed(name, LIBRARY / package / f"{module}.py", source))
        return run_tests(names, Recorder())

    code = in_child(job, seconds=CPU_SECONDS)
    return "survived" if code == 0 else "timeout" if code < 0 else "killed"


def warm(package: str) -> None:
    """Import what the tests import, then forget what is this project's: each child imports only that anew."""
    hypothesis.settings.register_profile("study", derandomize=True, database=None, deadline=None)
    hypothesis.settings.load_profile("study")
    with open(os.devnull, "w") as silence, contextlib.redirect_stdout(silence):  # noqa: PTH123
        os.chdir(ROOT)
        run_tests(PACKAGES[package], Recorder(), "--collect-only")
    here = str(Path(__file__).resolve())
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None)
        if file and file.startswith(str(ROOT)) and file != here:
            del sys.modules[name]


# ------------------------------------------------------------------------------------------------ study


def study(package: str, n: int, target: Path, seed: int, *, again: bool) -> dict[str, Any]:
    """Run `n` mutants of a package in a random order that does not depend on `n`; saved after each."""
    stored = json.loads(target.read_text(encoding="utf-8"))["mutants"] if target.exists() else []
    everything = mutants(package)
    random.Random(seed).shuffle(everything)
    todo = everything
    if again:
        survivors = [one for one in stored if not _is_killed(one)]
        todo, n, stored = [_key(one) for one in survivors], len(stored), [one for one in stored if _is_killed(one)]
    done = {_key(one) for one in stored}
    warm(package)
    tests, provider = Tests(package), OperatorProvider()
    _check_unchanged(package, everything[0][0], list(tests.seconds))
    for module, name, occurrence in todo:
        if len(stored) >= n:
            break
        if (module, name, occurrence) in done:
            continue
        before = (LIBRARY / package / f"{module}.py").read_text(encoding="utf-8")
        after = mutate_code(before, provider[name](), occurrence)
        if after is None or not changes(before, after):
            continue
        line, old, new = difference(before, after)
        names = tests.of(module, before, line)
        start = time.monotonic()
        stored.append(
            {
                "module": module,
                "line": line,
                "from": old,
                "to": new,
                "operator": name,
                "occurrence": occurrence,
                "n_tests": len(names),
                "outcome": outcome_of(package, module, after, names),
                "seconds": round(time.monotonic() - start, 1),
            }
        )
        target.write_text(_as_text(_summary(package, seed, len(everything), stored)), encoding="utf-8")
    return _summary(package, seed, len(everything), stored)


def _check_unchanged(package: str, module: str, names: Sequence[str]) -> None:
    """A mutant that changes nothing has to survive every test, or a death would mean nothing."""
    source = (LIBRARY / package / f"{module}.py").read_text(encoding="utf-8")
    if outcome_of(package, module, source, names) != "survived":
        raise SystemExit(f"{module} fails unchanged: nothing can be learnt from mutants")


def _summary(package: str, seed: int, n_all: int, ran: list[dict[str, Any]]) -> dict[str, Any]:
    n_killed = sum(_is_killed(one) for one in ran)
    return {
        "package": package,
        "seed": seed,
        "n_all_mutants": n_all,
        "n_run": len(ran),
        "n_killed": n_killed,
        "killed_pct": round(100 * n_killed / max(len(ran), 1), 1),
        "mutants": ran,
    }


def _is_killed(one: dict[str, Any]) -> bool:
    return one["outcome"] in ("killed", "timeout")


def _key(one: dict[str, Any]) -> Mutant:
    return one["module"], one["operator"], one["occurrence"]


def _as_text(result: dict[str, Any]) -> str:
    """JSON with one mutant a line."""
    lines = [f" {json.dumps(name)}: {json.dumps(value)},\n" for name, value in result.items() if name != "mutants"]
    ran = ",\n".join(f"  {json.dumps(one)}" for one in result["mutants"])
    return "{\n" + "".join(lines) + ' "mutants": [\n' + ran + "\n ]\n}\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("package", choices=PACKAGES)
    parser.add_argument("n", type=int)
    parser.add_argument("target", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", action="store_true")
    asked = parser.parse_args()
    found = study(asked.package, asked.n, asked.target, asked.seed, again=asked.again)
    print({name: found[name] for name in ("package", "n_run", "n_killed", "killed_pct")})
