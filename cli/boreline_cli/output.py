"""How commands speak: tables for people, JSON for programs, progress only on a terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer

Json = Annotated[bool, typer.Option("--json", help="Print machine-readable JSON on stdout.")]


def print_json(value: Any) -> None:
    """Write one JSON document to stdout; NaN is written as null by whoever built `value`."""
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def print_line(text: str = "") -> None:
    """Write one line to stdout."""
    sys.stdout.write(text + "\n")


def print_table(title: str, columns: list[str], rows: list[list[str]]) -> None:
    """Draw a table on stdout, wrapped to the terminal."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title, title_justify="left", show_edge=False, pad_edge=False)
    for name in columns:
        table.add_column(name, overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on stderr that takes (done, total); silent when stderr is no terminal."""
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
