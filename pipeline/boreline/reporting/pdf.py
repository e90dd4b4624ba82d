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


def write_pdf(page: Path, out: Path) -> Path:
    """Print an HTML file.

    Raises
    ------
    InputRefused
        There is no Chromium.
    StageFailed
        It did not print.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise InputRefused(
            "no Chromium was found to print with", tag="--pdf", remedy=f"open {page} in any browser and print it"
        )
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
