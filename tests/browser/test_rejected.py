"""The page Rejected messages while it stays open: what comes shows itself, and nothing moves under the pointer."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.lifecycle.states import StopEnd
from bridge.model import Priority
from tests.browser.watched import Tab
from tests.pages.stocked import OTHER, Stocked, Visitor
from tests.store.stop_contract import assign
from tests.store.strips import close

pytestmark = pytest.mark.browser


def test_a_new_row_shows_itself_on_an_open_page(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """Told by the stream, in its own words, over the foot of the page; the list stays as it is until it is asked for. HZ-I05."""
    first = shelf.rejected()
    tab.goto(f"{visitor.origin}/rejected")
    row = tab.locator(f'ul.rows a[href="/rejected/{first}"]')
    place = row.bounding_box()
    urgent = shelf.held(priority=Priority.STAT)
    newest = tab.get_by_role("region", name="New since you opened this page")
    expect(newest.get_by_role("link", name="STAT")).to_have_attribute("href", f"/rejected/{urgent}")
    expect(newest).to_contain_text("Waiting for your decision: No time is printed.")
    expect(tab.locator("#news")).to_have_text("1 new since you opened this page. Show")
    assert row.bounding_box() == place
    newest.get_by_role("link", name="Show all in their place").click()
    expect(tab.locator("section#held a.row")).to_have_attribute("href", f"/rejected/{urgent}")
    expect(newest).to_be_hidden()


def test_what_the_page_leaves_out_does_not_show_itself(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """A page that is narrowed to one analyzer says that something came, and shows what is its own."""
    shelf.rejected()
    tab.goto(f"{visitor.origin}/rejected?analyzer=bench-a")
    shelf.rejected(analyzer="bench-b")
    expect(tab.locator("#news")).to_have_text("1 new since you opened this page. Show")
    newest = tab.locator("#newest")
    expect(newest).to_be_hidden()
    own = shelf.rejected(OTHER)
    expect(newest.locator("a.row")).to_have_attribute("href", f"/rejected/{own}")


def test_a_page_without_a_stream_asks_by_itself(shelf: Stocked, browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where too many listen already, or a proxy lets no stream through."""
    monkeypatch.setattr("bridge.pages.newsroom.MOST_STREAMS", 0)
    with shelf.serving() as visitor, Tab(browser, allowed=("Failed to load resource",)) as tab:
        tab.goto(f"{visitor.origin}/rejected")
        expect(tab.get_by_text("Nothing is stopped.")).to_be_visible()
        stop = shelf.rejected()
        expect(tab.locator("#newest a.row")).to_have_attribute("href", f"/rejected/{stop}")


def test_a_scan_with_no_field_chosen_opens_no_act_and_no_row(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """HZ-A03: no letter is a key, and the Enter of the scan opens neither the row nor the button that has the ring. The page says so."""
    stops = [shelf.held(), shelf.rejected()]
    told = tab.get_by_role("link", name="No field was chosen: what was scanned went nowhere.")
    tab.goto(f"{visitor.origin}/rejected")
    tab.locator(f'a.row[href="/rejected/{stops[1]}"]').focus()
    scan(tab, "k40700221")
    expect(told).to_have_attribute("href", "/find")
    assert tab.url == f"{visitor.origin}/rejected"
    tab.goto(f"{visitor.origin}/rejected/{stops[0]}")
    button = tab.locator(f'form[action="/rejected/{stops[0]}/discard"] button.danger')
    tab.get_by_text("Discard", exact=True).first.click()
    button.focus()
    scan(tab, "d40700221")
    expect(told).to_be_visible()
    assert tab.url == f"{visitor.origin}/rejected/{stops[0]}"
    assert tab.locator("details.card[open]").count() == 1  # the one that was opened by hand
    expect(button).to_be_focused()


def scan(tab: Page, text: str) -> None:
    """Type as a scanner does: what is on the label, then Enter, at once (that one ends so: common practice, no source)."""
    tab.keyboard.type(text)
    tab.keyboard.press("Enter")


def test_a_row_that_another_takes_says_so_where_it_stands(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """HZ-K03: on the list at once, and on the row's own page; nothing moves, the row keeps the focus and what is typed stays."""
    one, two = shelf.rejected(), shelf.rejected(OTHER)
    tab.goto(f"{visitor.origin}/rejected")
    row = tab.locator(f'ul.rows a[href="/rejected/{one}"]')
    row.focus()
    place, count = row.bounding_box(), tab.locator("#rejected [data-count]")
    expect(count).to_have_text("2")
    assign(shelf.store, one, "Ben")
    expect(tab.locator(f'[data-row="{one}"]')).to_contain_text("taken by Ben")
    expect(tab.locator("#turned")).to_contain_text("taken by Ben")
    expect(tab.locator(f'[data-row="{two}"]')).to_contain_text("taken by nobody yet")
    close(shelf.store, one, StopEnd.DISCARDED)
    expect(tab.locator(f'[data-row="{one}"]')).to_contain_text("No longer here: discarded by Bo")
    expect(count).to_have_text("1")
    assert tab.evaluate("document.activeElement.getAttribute('href')") == f"/rejected/{one}"
    assert row.bounding_box() == place
    tab.goto(f"{visitor.origin}/rejected/{two}")
    tab.keyboard.type(OTHER[:4])  # in the field that waits for the label
    close(shelf.store, two, StopEnd.DISCARDED)
    expect(tab.locator(f'[data-row="{two}"]')).to_contain_text("No longer here: discarded by Bo")
    tab.keyboard.type(OTHER[4:])
    assert tab.evaluate("document.activeElement.value") == OTHER
