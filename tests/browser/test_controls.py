"""The page Controls in a real browser: a technician's morning with the keyboard."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.judged import Bench, with_policy
from tests.browser.by_keyboard import fill, follow
from tests.browser.watched import Tab
from tests.pages.stocked import Stocked

pytestmark = pytest.mark.browser


def stocked(shelf: Stocked) -> Bench:
    """Give a bench with strips sent, a control failed, and strips that wait for its repeat."""
    bench = Bench(shelf.store, with_policy())
    for level in ("1", "2"):
        bench.read(bench.control(level))
    for _ in range(3):
        bench.read(bench.patient())
    bench.read(bench.control("2", blood=0))
    for _ in range(3):
        bench.read(bench.patient(lot="A-LOT-CODE-OF-THIRTY-CHARACTERS"))
    return bench


def test_a_failure_is_dealt_with_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From Today to the reason of a repeat with Tab, letters and Enter; the page then says what is next."""
    bench = stocked(shelf)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "Controls")
        expect(tab.get_by_role("heading", level=1)).to_have_text("Controls")
        fill(tab, ("Your name", "Ana"), ("Reason", "a drop missed a pad"))
        follow(tab, "Keep the reason")
        expect(tab.get_by_text("the repeat of a failed control is to be run").first).to_be_visible()
