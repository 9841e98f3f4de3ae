"""The page Controls in a real browser: a technician's morning with the keyboard, and that everything fits and can be read."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from bridge.desk.lots import LotDesk
from bridge.model import Actor
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.controls_for_tests import lot
from tests.bench.judged import Bench, with_policy
from tests.browser.test_pages import CONTRAST
from tests.browser.watched import Tab
from tests.pages.stocked import Stocked

pytestmark = pytest.mark.browser
LOTS = ("/controls/lots/new?strip_type=sorrel-14", "/controls/lots/1")


def stocked(shelf: Stocked) -> Bench:
    """Give a bench with everything that the page can show: sent, failed, waiting, to look at again."""
    bench = Bench(shelf.store, with_policy())
    for level in ("1", "2"):
        bench.read(bench.control(level))
    for _ in range(3):
        bench.read(bench.patient())
    bench.read(bench.control("2", blood=0))
    for _ in range(3):
        bench.read(bench.patient(lot="A-LOT-CODE-OF-THIRTY-CHARACTERS"))
    typed = {key: value for key, value in lot("1", "C1-0900-OF-A-VERY-LONG-LOT-CODE").items() if key not in {"entered", "signed"}}
    LotDesk(shelf.store, bench.tables, lambda: shelf.now).enter(typed, actor=Actor(name="R. Holm", verified="unverified"))
    return bench


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_controls_and_charts_fit_and_can_be_read(shelf: Stocked, browser: Browser, width: int, scheme: str) -> None:
    """No sideways scroll, contrast everywhere, nothing blocked or in error (WCAG 2.2, 1.4.3 and 1.4.10)."""
    bench = stocked(shelf)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser, width=width, color_scheme=scheme) as tab:
        for path in ("/controls", "/controls/charts", *LOTS, "/"):
            tab.goto(visitor.origin + path)
            told_of = tab.evaluate(CONTRAST)
            assert told_of["poor"] == [], path
            assert told_of["count"] > 10, path
            assert tab.evaluate("document.documentElement.scrollWidth") == width, path


def test_a_failure_is_dealt_with_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From Today to the reason of a repeat with Tab, letters and Enter; the page then says what is next."""
    bench = stocked(shelf)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        tab.get_by_role("link", name="Controls", exact=True).focus()
        tab.keyboard.press("Enter")
        expect(tab.get_by_role("heading", level=1)).to_have_text("Controls")
        form = tab.locator("form", has=tab.get_by_role("button", name="Keep the reason"))
        form.get_by_label("Your name").focus()
        tab.keyboard.type("Ana")
        tab.keyboard.press("Tab")
        tab.keyboard.type("a drop missed a pad")
        tab.keyboard.press("Tab")
        tab.keyboard.press("Enter")
        expect(tab.get_by_text("the repeat of a failed control is to be run").first).to_be_visible()


def test_every_field_has_a_name(shelf: Stocked, browser: Browser) -> None:
    """As those who hear the page need it (WCAG 2.2, 4.1.2)."""
    bench = stocked(shelf)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser) as tab:
        for path in ("/controls", "/controls/charts", *LOTS):
            tab.goto(visitor.origin + path)
            unnamed = tab.evaluate(
                """() => [...document.querySelectorAll("input:not([type=hidden]), select, button:not([hidden]), a[href]:not([hidden]), svg")]
                  .filter((each) => !(each.labels?.length && each.labels[0].textContent.trim()) && !each.textContent.trim() && !each.ariaLabel)
                  .map((each) => each.outerHTML)"""
            )
            assert unnamed == [], path
