"""Mutation study: how often the tests notice that a line of geometry, sizing or expansion is changed.

Mutants are those of cosmic-ray (https://pypi.org/project/cosmic-ray). The stages have thousands, so a random sample
is taken of each package, without mutants that change nothing but annotations or docstrings. Each mutant lives in a
process of its own that imports the changed module from memory (no file is touched) and runs the tests named in
`PACKAGES` with numba switched off; it counts as killed when a test fails, an import fails, or CPU_SECONDS pass.

    pip install cosmic-ray
    NUMBA_DISABLE_JIT=1 nice -n 15 python benchmarks/mutation/run.py geometry 60 benchmarks/mutation/geometry.json

A third argument that exists is continued: mutants already in it are not run again.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import sys
from pathlib import Path
from types import ModuleType

import pytest
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.provider import OperatorProvider

ROOT = Path(__file__).parents[2]
SEED = 20240229
CPU_SECONDS = 60
ALLOWED = "ignore::pytest.PytestAssertRewriteWarning"
AHEAD = {
    "geometry": ("numpy", "pandas", "scipy.ndimage", "numba", "hypothesis", "shapely", "skimage.measure", "cv2"),
    "sizing": ("boreline_cli.main", "boreline.workflow.plan", "hypothesis", "matplotlib"),
    "expansion": ("boreline_cli.main", "boreline.workflow.assess", "hypothesis"),
}
"""Modules imported once, before any mutant: what lies above the changed package is imported anew in each process."""
ABOVE = ("expansion", "results", "reporting", "workflow", "review", "batch", "benchmark")
SLOW = "not three_thousand and not ragged_shapes and not dense_borders"
"""Tests left out, because they take minutes without numba; a survivor may be one that they kill."""
LEFT_OUT = {"geometry": ("compiled",)}
"""Modules left out: the cache of machine code has no part in a study without machine code."""
PACKAGES = {
    "geometry": [
        "tests/geometry/test_rays_polar_masks.py",
        "tests/geometry/test_measures.py",
        "tests/published/test_definitions.py",
        "tests/geometry/test_overlap.py",
    ],
    "sizing": [
        "tests/published/test_sizing_examples.py",
        "tests/sizing/test_map_figure.py",
        "tests/sizing/test_planning.py",
        "tests/sizing/test_planning_details.py",
        "tests/expansion/test_workflow_of_plan_and_assess.py",
    ],
    "expansion": [
        "tests/published/test_worked_examples.py",
        "tests/expansion/test_criteria.py",
        "tests/expansion/test_assessing.py",
        "tests/expansion/test_details.py",
        "tests/expansion/test_workflow_of_plan_and_assess.py",
    ],
}

Mutant = tuple[str, str, int]  # module, operator, occurrence


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from a changed source."""

    def __init__(self, name: str, path: Path, source: str) -> None:
        self._name, self._path, self._source = name, path, source

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> object:
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
    for path in sorted((ROOT / "pipeline" / "boreline" / package).glob("*.py")):
        if path.stem in LEFT_OUT.get(package, ()):
            continue
        nodes = list(ast_nodes(get_ast(path.read_text(encoding="utf-8"))))
        for name in provider:
            operator = provider[name]
            if operator.arguments():
                continue
            n = sum(1 for node in nodes for _ in operator().mutation_positions(node))
            found += [(path.stem, name, occurrence) for occurrence in range(n)]
    return found


def survives(package: str, module: str, source: str) -> bool:
    """Whether every test passes with the changed module."""
    path = ROOT / "pipeline" / "boreline" / package / f"{module}.py"
    child = os.fork()
    if child == 0:
        status = 1
        try:
            silence = os.open(os.devnull, os.O_RDWR)
            for stream in (1, 2):
                os.dup2(silence, stream)
            resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
            name = f"boreline.{package}" + ("" if module == "__init__" else f".{module}")
            sys.meta_path.insert(0, Changed(name, path, source))
            forget(package)
            os.chdir(ROOT)
            status = int(
                pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-k", SLOW, "-W", ALLOWED, *tests_of(package)])
            )
        finally:
            os._exit(status)
    _, code = os.waitpid(child, 0)
    return code == 0


def forget(package: str) -> None:
    """Drop the package and all that may have imported from it, so that the tests import them again."""
    dropped = [f"boreline.{name}" for name in (package, *ABOVE)] + ["boreline_cli"]
    for name in list(sys.modules):
        if any(name == gone or name.startswith(gone + ".") for gone in dropped):
            del sys.modules[name]
            parent, _, last = name.rpartition(".")
            if parent in sys.modules and hasattr(sys.modules[parent], last):
                delattr(sys.modules[parent], last)


def tests_of(package: str) -> list[str]:
    """Test files that exist."""
    return [name for name in PACKAGES[package] if (ROOT / name).exists()]


def study(package: str, n: int, target: Path) -> dict[str, object]:
    """Run `n` mutants of a package in a random order that does not depend on `n`; saved after each."""
    stored = json.loads(target.read_text(encoding="utf-8")) if target.exists() else {"survivors": [], "done": []}
    done = {(one[0], one[1], one[2]) for one in stored["done"]}
    survivors, everything = stored["survivors"], mutants(package)
    random.Random(SEED).shuffle(everything)
    provider = OperatorProvider()
    for name in AHEAD[package]:
        if importlib.util.find_spec(name.partition(".")[0]) is not None:
            importlib.import_module(name)
    first = next(module for module, _, _ in everything if module != "__init__")
    unchanged = (ROOT / "pipeline" / "boreline" / package / f"{first}.py").read_text(encoding="utf-8")
    if not done and not survives(package, first, unchanged):
        raise SystemExit("the tests fail on unchanged code: nothing can be learnt from mutants")
    for module, name, occurrence in everything:
        if len(done) >= n:
            break
        if (module, name, occurrence) in done:
            continue
        path = ROOT / "pipeline" / "boreline" / package / f"{module}.py"
        before = path.read_text(encoding="utf-8")
        after = mutate_code(before, provider[name](), occurrence)
        if after is None or not changes(before, after):
            continue
        done.add((module, name, occurrence))
        if survives(package, module, after):
            pairs = zip(before.splitlines(), after.splitlines(), strict=False)
            line, old, new = next((i, a, b) for i, (a, b) in enumerate(pairs, start=1) if a != b)
            survivors.append({"module": module, "line": line, "from": old.strip(), "to": new.strip(), "operator": name})
        result = {
            "package": package,
            "n_all_mutants": len(everything),
            "n_run": len(done),
            "n_killed": len(done) - len(survivors),
            "killed_pct": round(100 * (1 - len(survivors) / len(done)), 1),
            "survivors": survivors,
            "done": sorted(done),
        }
        target.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return result


if __name__ == "__main__":
    outcome = study(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
    print({name: outcome[name] for name in ("package", "n_run", "n_killed", "killed_pct")})
