"""Two people in two browsers at one row: one act stands, and the other person reads whose it is. HZ-K03."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.accounts.people import Role
from bridge.pages.site import Bench
from bridge.site import example_terms
from tests.browser.by_keyboard import PERSON_MS
from tests.browser.watched import Tab
from tests.pages.peopled import NAMES, PASSWORD, door_of, people
from tests.pages.stocked import Stocked
from tests.store.addition_contract import waiting
from tests.store.telling_contract import ONCE, READ_BACK, say
from tests.tables.additions_for_tests import asking

pytestmark = pytest.mark.browser
NOT_DONE = ("Failed to load resource: the server responded with a status of 409",)


def discarded(tab: Page) -> None:
    """Fill in the form by which a rejected strip is discarded."""
    tab.locator("summary", has_text="Discard").click()
    form = tab.locator("form[action$='/discard']")
    form.locator("[name=reason]").fill("spilt")
    form.locator("[name=specimen]").select_option("run again")


def added(tab: Page) -> None:
    """Choose a colour and a clarity by their figures, as a keyboard alone does."""
    tab.locator("input[type=radio]").first.focus()
    tab.keyboard.press("5", delay=PERSON_MS)
    expect(tab.locator("input[value=red]")).to_be_checked()
    tab.keyboard.press("1", delay=PERSON_MS)
    expect(tab.locator("input[value=clear]")).to_be_checked()
    expect(tab.get_by_role("button", name="Add it")).to_be_focused()


def nothing(tab: Page) -> None:
    """Nothing is to be typed."""
    expect(tab.get_by_role("button", name="Close it").first).to_be_visible()


@pytest.mark.parametrize(
    ("path", "filling", "ends", "told"),
    [
        ("/rejected/1", discarded, "/discard", "has dealt with this already: discarded."),
        ("/to-add/1", added, "/to-add/1", "has added to this strip already."),
        ("/telling", nothing, "/close", "has written down meanwhile: closed."),
    ],
)
def test_of_two_browsers_one_acts(
    shelf: Stocked, browser: Browser, path: str, filling: Callable[[Page], None], ends: str, told: str
) -> None:
    """Both have the page open and the form filled in; both send it at the same moment."""
    shelf.rejected()
    waiting(shelf.store, "W1")
    shelf.coded(tell=ONCE)
    say(shelf.store, shelf.store.tellings_open()[0], READ_BACK)
    people(shelf)
    bench = Bench(tables=asking(), terms=example_terms())
    names = [NAMES[Role.TECHNICIAN], NAMES[Role.SUPERVISOR]]
    with shelf.serving(door=door_of(shelf), bench=bench) as visitor, Tab(browser, allowed=NOT_DONE) as one, Tab(browser, allowed=NOT_DONE) as two:  # fmt: skip
        tabs = dict(zip(names, (one, two), strict=True))
        for name, tab in tabs.items():
            tab.goto(f"{visitor.origin}/sign-in?next={path}")
            tab.get_by_label("Name").fill(name)
            tab.get_by_label("Password").fill(PASSWORD)
            tab.keyboard.press("Enter")
            tab.wait_for_url(f"{visitor.origin}{path}")
            filling(tab)
        with one.expect_navigation(), two.expect_navigation():
            for tab in tabs.values():
                tab.locator(f"form[action$='{ends}']").first.evaluate("form => { setTimeout(() => form.requestSubmit(), 0) }")
        said = {name: tab.get_by_role("alert") for name, tab in tabs.items()}
        (loser,) = [name for name, alert in said.items() if alert.filter(has_text=told).count()]
        (winner,) = set(names) - {loser}
        expect(said[loser].filter(has_text=told)).to_contain_text(winner)
