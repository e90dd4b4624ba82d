"""`case.toml`: the runs of one vessel.

[[run]]
folder = "before"        # a result folder, relative to the file

[[run]]
folder = "after"
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from boreline.errors import InputRefused


def case_folders(path: Path) -> list[Path]:
    """The result folders of a case, in the order of the file.

    Raises
    ------
    InputRefused
        The file cannot be read or names no run.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as cause:
        raise InputRefused(f"cannot be read as TOML: {cause}", file=path) from None
    runs = content.get("run")
    if not isinstance(runs, list) or not runs or not all(isinstance(r, dict) and r.get("folder") for r in runs):
        raise InputRefused("names no run", file=path, tag="[[run]] folder", remedy="add [[run]] with folder = DIR")
    return [path.parent / str(run["folder"]) for run in runs]
