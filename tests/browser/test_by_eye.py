"""A strip read by eye, in a real browser and by keyboard alone."""

from __future__ import annotations

import json

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.by_keyboard import PERSON_MS, follow, reach
from tests.browser.test_pages import CONTRAST
from tests.browser.watched import Tab
from tests.desk.test_entries import PLACE
from tests.pages.stocked import GOOD, Stocked

pytestmark = pytest.mark.browser
PATH = "/enter/eye/eyes?strip_type=ten"


@pytest.fixture(autouse=True)
def place(shelf: Stocked) -> None:
    """Let strips be read by eye at ward-4."""
    shelf.eyes = (PLACE,)


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "light"), (390, "dark")])
def test_the_ladders_fit_and_can_be_read(shelf: Stocked, browser: Browser, width: int, scheme: str) -> None:
    """No sideways scroll and contrast everywhere, of chosen steps too (WCAG 2.2, 1.4.3 and 1.4.10); each group of steps has its pad's name."""
    with shelf.serving() as visitor, Tab(browser, width=width, color_scheme=scheme) as tab:
        tab.goto(visitor.origin + PATH)
        tab.get_by_role("group", name="Protein").get_by_text("Negative").click()
        found = tab.evaluate(CONTRAST)
        assert found["poor"] == []
        assert found["count"] > 60
        assert tab.evaluate("document.documentElement.scrollWidth") == width
        tab.goto(visitor.origin + "/enter")
        assert tab.evaluate(CONTRAST)["poor"] == []
        assert tab.evaluate("document.documentElement.scrollWidth") == width


SCAN = """(text) => { for (const key of text) document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true })); }"""


def test_a_scan_sets_no_pad(shelf: Stocked, browser: Browser) -> None:
    """HZ-A04: a label that is scanned while a pad has the ring is no row of steps: what was chosen stays, the rest stays open, and the page says so."""
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin + PATH)
        chosen = "[...document.querySelectorAll('.ladders input:checked')].map((each) => each.value)"
        tab.locator(".ladders fieldset").first.locator("input").first.focus()
        tab.keyboard.press("2", delay=PERSON_MS)
        kept = tab.evaluate(chosen)
        assert len(kept) == 1
        tab.evaluate(SCAN, "k40123221")
        assert tab.evaluate(chosen) == kept
        tab.keyboard.press("ArrowUp", delay=PERSON_MS)
        tab.evaluate(SCAN, "12345678")
        assert len(tab.evaluate(chosen)) == 2  # the second by the arrow, as before the scan
        expect(tab.locator("#due")).to_have_text(
            "A scan came while a pad was chosen: no step was set by it. Choose its field and scan again."
        )


def test_a_strip_is_entered_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From the list to the kept strip: a scanner's Enter goes on to the next field, figures and arrows choose steps, and the last Enter keeps it."""
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin + "/enter")
        follow(tab, "Ten pads")
        reach(tab, "Dipped now")
        tab.keyboard.press("Enter")
        expect(tab.locator("#since")).to_contain_text("since dipping")
        reach(tab, "Lot on the container")
        for text in ("22D31", GOOD, GOOD, "U26-0419", "U26-0419"):
            tab.keyboard.type(text)
            tab.keyboard.press("Enter")
        for _ in range(9):
            tab.keyboard.press("1", delay=PERSON_MS)
        tab.keyboard.press("Space")  # the last pad by the browser's own keys
        tab.keyboard.press("ArrowRight")
        reach(tab, "Operator number")
        for text in ("R4", "Ana"):
            tab.keyboard.type(text)
            tab.keyboard.press("Enter")
        tab.keyboard.press("Enter")
        expect(tab.get_by_role("heading", level=1)).to_have_text("The strip is kept")
    (strip,) = json.loads(shelf.store.capture(1).capture.payload)["readings"]
    values = [pad["value"] for pad in strip["pads"]]
    assert (strip["patient_id"], strip["specimen_id"], strip["strip_lot"], strip["operator"]) == (GOOD, "U26-0419", "22D31", "R4")
    assert strip["entered_by"] == "Ana"
    assert len(values) == 10
    last = PLACE.profile.vocabularies[("quill-10", "bilirubin")].tokens[values[-1]].step
    assert last is not None
    assert last.rank == 1
