"""Make the README's pictures from the program itself: `python docs/make_pictures.py`.

Needs the installed package with its test extra (Playwright) and a Chromium at the place that CHROMIUM names.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

PICTURES = Path(__file__).parent / "pictures"
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
SIZE = {"width": 1280, "height": 800}


def main() -> None:
    """Draw the gallery, run the demonstration and photograph its report and its review page."""
    from playwright.sync_api import sync_playwright

    boreline = [sys.executable, "-m", "boreline_cli.main"]
    with tempfile.TemporaryDirectory() as scratch:
        case = Path(scratch) / "case"
        subprocess.run([*boreline, "demo", "--out", str(case)], check=True, stdout=subprocess.DEVNULL)
        subprocess.run([*boreline, "phantom", "gallery", "--out", str(PICTURES / "scenes.png")], check=True)
        server = subprocess.Popen(
            [*boreline, "review", str(case / "before"), "--no-browser", "--reader", "reader"],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert server.stdout is not None
            address = next(word for word in server.stdout.readline().split() if word.startswith("http"))
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
                page = browser.new_page(viewport=SIZE)
                page.goto((case / "report.html").resolve().as_uri())
                page.screenshot(path=str(PICTURES / "report.png"))
                page.goto(address)
                page.wait_for_timeout(3000)
                page.screenshot(path=str(PICTURES / "review.png"))
                browser.close()
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()
