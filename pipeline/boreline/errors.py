"""The error family.

    BorelineError
    ├── InputRefused      what the user gave cannot be used: one line, exit 2   (also a ValueError)
    ├── GeometryError     a contour that is no closed simple curve              (also a ValueError)
    └── StageFailed       a stage could not finish on input that was accepted   (also a RuntimeError)

Each message says what is wrong, where, and what to do about it, in one line.
"""

from __future__ import annotations

from pathlib import Path

CHECK_ACCESS = "check the path and who may read the file"
CHECK_TEXT = "check the path, who may read the file, and that it is text in UTF-8"
CHECK_TOML = "mend the line that it names: one 'key = value' a line, words in quotes, the dot as decimal mark"
"""Remedies that several stages give."""


class BorelineError(Exception):
    """Any failure that Boreline explains in one line."""


class InputRefused(BorelineError, ValueError):
    """Input that Boreline will not analyse.

    Parameters
    ----------
    problem
        What is wrong, in one clause.
    file
        The file or folder at fault, if there is one.
    tag
        The DICOM attribute, column or option at fault, for example ``"(0018,602C) PhysicalDeltaX"``.
    remedy
        What to do, in one clause; names the option that overrides, where there is one.
    """

    def __init__(
        self,
        problem: str,
        *,
        file: str | Path | None = None,
        tag: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.problem = problem
        self.file = None if file is None else str(file)
        self.tag = tag
        self.remedy = remedy
        where = ", ".join(part for part in (self.file, tag) if part)
        line = f"{where}: {problem}" if where else problem
        if remedy:
            line = f"{line}; {remedy}"
        super().__init__(" ".join(line.split()))


class GeometryError(BorelineError, ValueError):
    """A contour that encloses no area: too few vertices, or it crosses itself."""


class StageFailed(BorelineError, RuntimeError):
    """A stage that could not finish although its input was accepted."""
