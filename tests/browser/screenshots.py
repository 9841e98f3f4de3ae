"""Makes the pictures of docs/ again, from the real demo: ``python -m tests.browser.screenshots``."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).parents[2]
LARGEST = 250_000  # ours: bytes of one picture in the repository
PICTURES = ("today.png", "rejected.png")


def main() -> int:
    """Run the demo, take both pictures, stop the demo. Gives 0, or 1 where the demo did not come to its pages."""
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
                tab = chromium.new_page(viewport={"width": 1120, "height": 900}, color_scheme="light")
                _take(tab, address)
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


def _take(tab: Page, address: str) -> None:
    tab.goto(address)
    tab.screenshot(path=ROOT / "docs" / PICTURES[0], full_page=True)
    tab.goto(f"{address}/rejected")
    tab.get_by_role("link", name="40711282").click()  # the mistyped ID of the demo's morning
    tab.get_by_role("heading", name="Patient ID 40711282 fails its check digit.").wait_for()
    tab.screenshot(path=ROOT / "docs" / PICTURES[1], full_page=True)
    for name in PICTURES:
        size = (ROOT / "docs" / name).stat().st_size
        print(f"docs/{name}: {size} bytes")
        assert size < LARGEST, name


if __name__ == "__main__":
    sys.exit(main())
