"""Makes the pictures of docs/ again, from the real demo and of tests/browser/pictured.py: ``python -m tests.browser.screenshots``."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.pictured import LARGEST, PICTURES, WIDTH, taken

ROOT = Path(__file__).parents[2]
OF_DEMO = ("today.png", "rejected.png")


def main() -> int:
    """Run the demo, take every picture, stop the demo. Gives 0, or 1 where the demo did not come to its pages."""
    with tempfile.TemporaryDirectory() as folder:
        demo = subprocess.Popen(
            [sys.executable, "-m", "bridge", "demo", "--port", "0", "--folder", f"{folder}/demo"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            address = _address(demo)
            if not address:
                return 1
            with sync_playwright() as playwright:
                chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                _take(tab_of(chromium, height=900), address)
                for name, picture in PICTURES.items():
                    _keep(name, picture.take(tab_of(chromium), Path(tempfile.mkdtemp(dir=folder))))
                chromium.close()
        finally:
            demo.send_signal(signal.SIGINT)
            demo.wait(30)
    return 0


def _address(demo: subprocess.Popen[str]) -> str:
    """Give where the demo says its pages are; empty if it ended before."""
    assert demo.stdout
    for line in demo.stdout:
        found = re.search(r"The pages are on (http://\S+) until", line)
        if found:
            return found[1]
    return ""


def tab_of(chromium: Browser, *, height: int = 600) -> Page:
    """Open a tab as pictures are taken in."""
    return chromium.new_page(viewport={"width": WIDTH, "height": height}, color_scheme="light")


def _take(tab: Page, address: str) -> None:
    tab.goto(address)
    _keep(OF_DEMO[0], taken(tab))
    tab.goto(f"{address}/rejected")
    tab.get_by_role("link", name="40711282").click()  # the mistyped ID of the demo's morning
    tab.get_by_role("heading", name="Patient ID 40711282 fails its check digit.").wait_for()
    _keep(OF_DEMO[1], taken(tab))


def _keep(name: str, picture: bytes) -> None:
    print(f"docs/{name}: {len(picture)} bytes")
    assert len(picture) < LARGEST, name
    (ROOT / "docs" / name).write_bytes(picture)


if __name__ == "__main__":
    sys.exit(main())
