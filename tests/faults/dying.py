"""Runs commands in forked children that get a signal at a chosen write; a program of its own, driven over pipes.

One JSON object a line comes in (`args`, `under`, `signal`, `nth`, `limit`) and one goes out (`status`, `said`,
`writes`). The first line is a list of commands that the parent itself runs: its children share what they loaded, so
that one death costs a fraction of a start.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

_WRITES = {"os.rename", "os.mkdir", "os.remove", "os.rmdir"}


def main() -> None:
    _warm_up(json.loads(sys.stdin.readline()))
    for line in sys.stdin:
        order = json.loads(line)
        with tempfile.TemporaryDirectory() as told:
            pid = os.fork()
            if pid == 0:
                _child(order, Path(told))
            status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
            writes = Path(told) / "writes"
            answer = {
                "status": status,
                "said": (Path(told) / "said").read_text(),
                "writes": len(writes.read_bytes()) if writes.exists() else 0,
            }
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _warm_up(commands: list[list[str]]) -> None:
    """Threads of a parent are not those of its children: the one pool that would not notice is never started."""
    import cv2

    cv2.setNumThreads(0)
    from boreline.workflow import coregister
    from boreline_cli.main import main as command

    coregister.register_runs = _once(coregister.register_runs)

    kept = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    for args in commands:
        try:
            command(args)
        except SystemExit as end:
            if end.code:
                raise
    os.dup2(kept, 1)


def _once(function: Callable[..., Any]) -> Callable[..., Any]:
    """Its first result ever after: the films of all children are the same, and finding the path writes nothing."""
    found: list[Any] = []

    def answer(*args: Any, **more: Any) -> Any:
        found[:] = found or [function(*args, **more)]
        return found[0]

    return answer


def _child(order: dict[str, Any], told: Path) -> None:
    said = os.open(told / "said", os.O_WRONLY | os.O_CREAT)
    silent = os.open(os.devnull, os.O_WRONLY)
    tally = os.open(told / "writes", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(silent, 1)
    os.dup2(said, 2)
    count = 0

    def watch(event: str, values: tuple[Any, ...]) -> None:
        nonlocal count
        if not (event in _WRITES or (event == "open" and _writes(values))):
            return
        try:
            inside = isinstance(values[0], str | os.PathLike) and os.fspath(values[0]).startswith(order["under"])
        except TypeError:
            return
        # shutil.rmtree names files relative to an open folder: those count as well
        if not inside and not (event in {"os.remove", "os.rmdir"} and values[1] != -1):
            return
        count += 1
        os.write(tally, b".")
        if count == order["nth"]:
            os.kill(os.getpid(), order["signal"])

    from boreline_cli.main import main as command

    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["boreline", *order["args"]]
    if order["limit"] is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (order["limit"], order["limit"]))
    sys.addaudithook(watch)
    code: Any = 70
    try:
        command()
    except SystemExit as end:
        code = end.code
    except BaseException:
        import traceback

        traceback.print_exc()
    sys.stderr.flush()
    os._exit(code if isinstance(code, int) else 1)


def _writes(values: tuple[Any, ...]) -> bool:
    mode, flags = values[1], values[2]
    return bool(flags & (os.O_WRONLY | os.O_RDWR)) if mode is None else any(letter in mode for letter in "wax+")


if __name__ == "__main__":
    main()
