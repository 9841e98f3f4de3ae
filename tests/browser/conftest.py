"""A real Chromium, closed with each module: while it runs, its own event loop holds the main thread."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.browser.watched import Tab
from tests.pages.peopled import House, people, serving
from tests.pages.stocked import Stocked, Visitor


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Start the system's Chromium."""
    path = shutil.which("chromium")
    assert path, "the browser tests need chromium; .ci/test installs it"
    expect.set_options(timeout=60_000)  # a bound, not a pause: the plan check's child must finish first, on a busy machine too
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])  # CI runs as root
        yield chromium
        chromium.close()


@pytest.fixture
def tab(browser: Browser) -> Iterator[Page]:
    """Open a tab of 1280 by 900; the test fails on any console error, page error or dialog in it. A test names what serves before it: the tab closes first."""
    with Tab(browser) as page:
        yield page


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real, empty store."""
    stocked = Stocked(tmp_path)
    yield stocked
    stocked.close()


@pytest.fixture
def visitor(shelf: Stocked) -> Iterator[Visitor]:
    """Serve the pages over the shelf, on a loopback port."""
    with shelf.serving() as visitor:
        yield visitor


@pytest.fixture
def house(shelf: Stocked) -> Iterator[House]:
    """Serve the pages with accounts of each role."""
    people(shelf)
    with serving(shelf) as house:
        yield house
