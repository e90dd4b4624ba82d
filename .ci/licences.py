"""List the licence of every distribution that Boreline needs, directly or not; fail on one under the GPL or unstated.

`python .ci/licences.py` in an environment in which boreline is installed; `--extras` takes its extras as well.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

GPL = re.compile(r"\bA?GPL|(?<!Lesser )General Public License|Affero", re.IGNORECASE)
EXTRAS = ("test", "lint")


def needed(extras: tuple[str, ...] = ()) -> dict[str, Distribution]:
    """Installed distributions by name, from boreline's own requirements on; what is not installed here is left out."""
    found: dict[str, Distribution] = {}
    queue = [("boreline", frozenset(extras))]
    seen = set()
    while queue:
        name, wanted = queue.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue
        for line in found[name].requires or ():
            requirement = Requirement(line)
            marker = requirement.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in (*wanted, "")):
                queue.append((canonicalize_name(requirement.name), frozenset(requirement.extras)))
    return dict(sorted(found.items()))


def licence(package: Distribution) -> str:
    """Its licence in a few words: the expression, else the classifiers, else the first line of the field."""
    metadata = package.metadata
    classifiers = [
        line.rsplit(" :: ", 1)[-1] for line in metadata.get_all("Classifier", []) if line.startswith("License :: ")
    ]
    field = (metadata.get("License") or "").strip().splitlines()
    return metadata.get("License-Expression") or "; ".join(classifiers) or (field[0][:80] if field else "")


def under_gpl(text: str) -> bool:
    """GPL or AGPL; the LGPL is told apart. Where the user may choose (`OR`), one free choice is enough."""
    return all(GPL.search(choice) for choice in re.split(r"\bOR\b", text))


def main() -> None:
    """Print one line per distribution."""
    packages = needed(EXTRAS if "--extras" in sys.argv else ())
    licences = {name: licence(package) for name, package in packages.items()}
    for name, text in licences.items():
        sys.stdout.write(f"{name:28} {packages[name].version:14} {text or 'NOT STATED'}\n")
    bad = [name for name, text in licences.items() if not text or under_gpl(text)]
    if bad:
        raise SystemExit(f"under the GPL or without a stated licence: {', '.join(bad)}")


if __name__ == "__main__":
    main()
