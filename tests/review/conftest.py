"""Servers and browsers for the review page's tests."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@pytest.fixture(scope="session")
def folder_template(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Result folders to copy: `mm` with positions, `time` without, `markup` with markup in its DICOM text."""
    from folders import make_folder

    base = tmp_path_factory.mktemp("runs")
    return {
        "mm": make_folder(base / "mm"),
        "time": make_folder(base / "time", in_mm=False),
        "markup": make_folder(base / "<img src=x onerror=alert(1)>", n_frames=12, name="<script>alert(1)</script>"),
    }


@pytest.fixture
def folder(folder_template: dict[str, Path], tmp_path: Path) -> Callable[[str], Path]:
    """A fresh copy of a template folder (its pixels are shared)."""
    import shutil

    def copy(name: str = "mm") -> Path:
        return Path(shutil.copytree(folder_template[name], tmp_path / folder_template[name].name))

    return copy


@contextmanager
def running(folders: list[Path], reader: str = "anna", token: str = "secret") -> Iterator[Any]:
    """A real server in a thread; yields (address, sessions)."""
    import uvicorn

    from boreline.results import ResultFolder
    from boreline.review.app import build_app
    from boreline.review.serve import _listen
    from boreline.review.session import RunSession

    sessions = [RunSession(ResultFolder.open(path), reader, save_after_s=600) for path in folders]
    listening = _listen(0)
    port = listening.getsockname()[1]
    server = uvicorn.Server(uvicorn.Config(build_app(sessions, token), log_level="critical", lifespan="off", ws="none"))
    thread = Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{port}", sessions
    finally:
        server.should_exit = True
        thread.join(10)
        listening.close()
        for session in sessions:
            session.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium from the system."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"no Chromium at {CHROMIUM}")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()
