"""Starts the review server and says where it is."""

from __future__ import annotations

import errno
import secrets
import socket
import sys
import webbrowser
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Thread

import uvicorn

from boreline.correction.evidence import warm_up
from boreline.errors import InputRefused
from boreline.results import ResultFolder
from boreline.review.app import build_app
from boreline.review.session import RunSession

LOOPBACK = "127.0.0.1"
KEEP_ALIVE_S = 120
SWITCH_S = 0.001
"""Threads hand over five times as often as by default: frames do not wait for figures that are being worked out."""


def review(
    folders: Sequence[Path],
    *,
    reader: str,
    port: int = 0,
    source: Path | None = None,
    open_browser: bool = True,
    announce: Callable[[str], None],
) -> None:
    """Serve the page until interrupted; every acknowledged edit is on the disk, tables follow.

    Parameters
    ----------
    folders
        Result folders, the one to work on first.
    port
        0 takes a free one.
    announce
        Called once with the page's address; its fragment holds the token.

    Raises
    ------
    InputRefused
        A folder cannot be opened, another review of the same reader runs, or the port is taken.
    """
    sys.setswitchinterval(SWITCH_S)
    Thread(target=warm_up, daemon=True).start()
    token = secrets.token_urlsafe(32)
    listening = _listen(port)
    sessions: list[RunSession] = []
    try:
        for folder in folders:
            sessions.append(RunSession(ResultFolder.open(folder), reader, source=source))  # noqa: PERF401 - closed below
        address = f"http://{LOOPBACK}:{listening.getsockname()[1]}/#{token}"
        announce(address)
        if open_browser:
            webbrowser.open(address)
        config = uvicorn.Config(
            build_app(sessions, token),
            log_level="critical",
            access_log=False,
            server_header=False,
            date_header=False,
            lifespan="off",
            timeout_keep_alive=KEEP_ALIVE_S,
            timeout_graceful_shutdown=1,
            ws="none",
        )
        uvicorn.Server(config).run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()
        for session in sessions:
            session.close()


def _listen(port: int) -> socket.socket:
    # With the protocol stated, asyncio turns Nagle's algorithm off; otherwise each short answer waits 40 ms.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((LOOPBACK, port))
        listening.listen()  # a browser may come before the server runs
    except OSError as cause:
        listening.close()
        why = "is taken" if cause.errno == errno.EADDRINUSE else f"cannot be used: {cause.strerror}"
        raise InputRefused(f"port {port} {why}", tag="--port", remedy="choose another, or none") from None
    return listening
