"""The page Lots in a real browser: a container entered from the keyboard."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, expect

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.shelved import Shelved
from tests.browser.by_keyboard import fill, follow, reach
from tests.browser.watched import Tab
from tests.judging_for_tests import NOW
from tests.pages.stocked import Stocked

pytestmark = pytest.mark.browser
LONG = "A-LOT-CODE-OF-THIRTY-CHARACTERS"


def stocked(shelf: Stocked) -> Shelved:
    """Give a bench with everything that the page can show: good, near its end, too old, suspected, out of use; results and held strips."""
    shelf.now = NOW
    bench = Shelved(shelf.store)
    bench.open(expires="2026-11-30")
    for number in range(12):
        bench.read(bench.patient(ranks={"nitrite": int(number < 9)}))
    for lot in ("24A01", "24B07"):
        bench.read(replace(bench.control("1"), lot=lot), replace(bench.control("2"), lot=lot))
    bench.read(bench.patient(lot=LONG))
    bench.open(strip_lot=LONG, expires="2027-08-31", opened="2026-08-01T09:00")
    bench.open(strip_lot="24C09", expires="2027-12-31")
    shelf.now = bench.at
    return bench


def test_a_container_is_entered_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From Today with letters, Tab and Enter; the page then says to which day it may be used."""
    bench = stocked(shelf)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "Lots")
        expect(tab.get_by_role("heading", level=1)).to_have_text("Lots")
        reach(tab, "Strip type")
        for text in ("quill", "24D01", "05312027"):  # the day as this browser asks for it: month, day, year
            tab.keyboard.type(text)
            tab.keyboard.press("Tab")
        fill(tab, ("Your name", "Ana"))
        follow(tab, "Enter this container")
        expect(tab.locator("main")).to_contain_text("lot 24D01: in use. To be used to 2027-02-23.")
    assert shelf.store.containers()[-1].entered_by == "Ana"
