"""The specification in a real Chromium: no complaint, nothing sideways, and printable."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from bridge.specification import Door, specify
from bridge.specification.html import as_html
from tests.browser.watched import Tab
from tests.specification.subjects import document, hostile

# How many tables reach beyond the page's own column, into the margin.
BEYOND = """() => {
  const edge = document.querySelector("section").getBoundingClientRect().right + 0.5;
  return [...document.querySelectorAll("table")].filter(table => table.getBoundingClientRect().right > edge).length;
}"""

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["hl7", "fhir", "hostile"])
def test_it_opens_without_complaint_and_never_scrolls_sideways(
    browser: Browser, tmp_path: Path, name: str, scheme: str, width: int
) -> None:
    """A vendor reads it on a desk and a technician on a telephone; the tab fails on any console error or dialog."""
    made = {"hl7": document(), "fhir": document(Door.FHIR), "hostile": specify(hostile())}[name]
    page_file = tmp_path / "spec.html"
    page_file.write_text(as_html(made), encoding="utf-8")
    with Tab(browser, width=width, color_scheme=scheme) as page:
        page.goto(page_file.as_uri())
        assert page.locator("h2").count() == 16
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert (
            page.evaluate(
                "[...document.querySelectorAll('td, pre, p, h1')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
            )
            == 0
        )
        assert page.evaluate(BEYOND) == 0
        assert page.evaluate("document.scripts.length") == 0


def test_paper_is_white_whatever_the_screen_is(browser: Browser, tmp_path: Path) -> None:
    """Dark tokens on white paper could not be read: the soft ink of headings is the light scheme's #535b6e."""
    page_file = tmp_path / "spec.html"
    page_file.write_text(as_html(document()), encoding="utf-8")
    with Tab(browser, color_scheme="dark") as page:
        page.goto(page_file.as_uri())
        colour = "getComputedStyle(document.querySelector('th')).color"
        assert page.evaluate(colour) == "rgb(169, 176, 192)"
        page.emulate_media(media="print", color_scheme="dark")
        assert page.evaluate(colour) == "rgb(83, 91, 110)"


def test_it_prints(browser: Browser, tmp_path: Path) -> None:
    """Onto several sheets, each table with its heading row on every one."""
    page_file = tmp_path / "spec.html"
    page_file.write_text(as_html(document()), encoding="utf-8")
    with Tab(browser) as page:
        page.goto(page_file.as_uri())
        printed = page.pdf(prefer_css_page_size=True)
        assert printed.startswith(b"%PDF")
        assert printed.count(b"/Type /Page\n") > 10
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.querySelector('thead')).display") == "table-header-group"
