"""The page as PDF, printed by a headless Chromium of the machine; nothing is fetched."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

from boreline.errors import InputRefused, StageFailed
from boreline.reporting.coding import partial_beside

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
_TIMEOUT_S = 120


def find_browser() -> str:
    """The Chromium to print with.

    Raises
    ------
    InputRefused
        There is none.
    """
    for name in BROWSERS:
        if found := shutil.which(name):
            return found
    raise InputRefused(
        "no Chromium was found to print with",
        tag="--pdf",
        remedy="leave --pdf out and print the page from any browser, or install chromium",
    )


def write_pdf(page: Path, out: Path, *, browser: str) -> Path:
    """Print an HTML file.

    Raises
    ------
    StageFailed
        The browser did not print.
    """
    partial = partial_beside(out)
    with tempfile.TemporaryDirectory() as profile:
        command = [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            "--no-pdf-header-footer",
            f"--user-data-dir={profile}",
            f"--print-to-pdf={partial.absolute()}",
            page.absolute().as_uri(),
        ]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=_TIMEOUT_S)
        except (OSError, subprocess.SubprocessError) as cause:
            partial.unlink(missing_ok=True)
            raise StageFailed(f"{browser} did not print the page: {type(cause).__name__}") from None
    if not partial.exists():
        raise StageFailed(f"{browser} ended without a PDF")
    partial.replace(out)
    return out
