"""Commands that die when they are told to, and what is left of their folders."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

TIME = re.compile(rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d\+00:00)?")


@dataclass(frozen=True)
class Death:
    status: int
    said: str
    writes: int


@dataclass(frozen=True)
class Mortal:
    """Commands of a program that dies at its nth write below a folder."""

    server: subprocess.Popen[str]

    def run(self, *args: str, under: Path, signal: int = 0, nth: int = -1, limit: int | None = None) -> Death:
        """Run a command; `limit` is the largest file that its disk takes, in bytes."""
        assert self.server.stdin is not None
        assert self.server.stdout is not None
        order = {"args": args, "under": str(under), "signal": signal, "nth": nth, "limit": limit}
        self.server.stdin.write(json.dumps(order) + "\n")
        self.server.stdin.flush()
        return Death(**json.loads(self.server.stdout.readline()))


@contextmanager
def mortal_after(commands: list[list[str]]) -> Iterator[Mortal]:
    """The program, once it has run `commands` itself."""
    program = [sys.executable, str(Path(__file__).with_name("dying.py"))]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdin is not None
        server.stdin.write(json.dumps(commands) + "\n")
        yield Mortal(server)
        server.stdin.close()


def contents(folder: Path) -> dict[str, str]:
    """Every file that is no hidden leftover, by its hash; times are left out."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(TIME.sub(b"", path.read_bytes())).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    }


def beside(folder: Path) -> list[str]:
    if not folder.parent.exists():
        return []
    return sorted(path.name for path in folder.parent.iterdir() if path != folder)
