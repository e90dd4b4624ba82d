"""Print the lower bound of each dependency as a constraints file, or compare the bounds with what is installed."""

from __future__ import annotations

import re
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

BOUND = re.compile(r"([A-Za-z0-9_.-]+)>=([0-9][0-9.]*)")
EXTRAS = ("test",)


def lower_bounds(project: Path) -> dict[str, str]:
    """Name and oldest allowed release of every direct dependency, those of the test extra included."""
    table = tomllib.loads(project.read_text(encoding="utf-8"))["project"]
    wanted = [*table["dependencies"], *(line for extra in EXTRAS for line in table["optional-dependencies"][extra])]
    found = {}
    for line in wanted:
        match = BOUND.fullmatch(line)
        if match is None:
            raise SystemExit(f"{project}: {line!r} is not written as name>=release")
        found[match[1]] = match[2]
    return found


def numbers(release: str) -> tuple[int, ...]:
    """The release as numbers, without zeros at its end."""
    parts = [int(part) for part in re.findall(r"\d+", release)]
    while parts and parts[-1] == 0:
        parts.pop()
    return tuple(parts)


def main() -> None:
    """Write `name==release` lines, or with --installed fail unless exactly these are installed."""
    bounds = lower_bounds(Path(sys.argv[1]))
    if "--installed" not in sys.argv:
        sys.stdout.write("".join(f"{name}=={release}\n" for name, release in sorted(bounds.items())))
        return
    other = {name: version(name) for name, low in bounds.items() if numbers(version(name)) != numbers(low)}
    if other:
        raise SystemExit(f"not at their lower bounds: {other}")


if __name__ == "__main__":
    main()
