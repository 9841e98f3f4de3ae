"""A page that is locked in a real browser: covered, silent, and as it was after the password (HZ-J04)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.accounts.people import Role
from tests.browser.test_every_page import faults_of
from tests.browser.watched import Tab
from tests.pages.peopled import NAMES, PASSWORD, TERMS, House
from tests.pages.stocked import NOW, wait_until

pytestmark = pytest.mark.browser
REFUSED = ("Failed to load resource: the server responded with a status of 40",)
IDLE_MS = int(TERMS.idle.total_seconds() * 1000)


def _sign_in(tab: Page, house: House, path: str) -> None:
    tab.goto(f"http://127.0.0.1:{house.port}{path}")
    tab.get_by_label("Your name").fill(NAMES[Role.TECHNICIAN])
    tab.get_by_label("Password").fill(PASSWORD)
    tab.keyboard.press("Enter")
    expect(tab.get_by_role("button", name="Sign out")).to_be_visible()


@pytest.fixture
def tab(browser: Browser, house: House) -> Iterator[Page]:
    """Open a tab in which answers of 401, 403 and 409 are no fault: they are what is asked for here. It is closed before the house is."""
    with Tab(browser, allowed=REFUSED) as page:
        yield page


def test_an_idle_page_is_covered_and_stands_as_it_was_after_the_password(tab: Page, house: House) -> None:
    """HZ-J04: nothing of it is in the document while it is locked, the server is locked too, and the typed text, the focus and the form are there again."""
    tab.clock.install()
    _sign_in(tab, house, "/hand-over")
    note = tab.get_by_label("What the next shift is to know or do")
    note.fill("new lot tomorrow")
    tab.clock.run_for(IDLE_MS - 20_000)
    expect(tab.get_by_text("This page locks in half a minute")).to_be_visible()
    with tab.expect_response("**/lock"):
        tab.clock.run_for(30_000)
    expect(tab.get_by_role("heading", level=1)).to_have_text("Locked")
    assert "new lot" not in tab.content()
    assert "Hand-over" not in tab.locator("body").inner_text()
    expect(tab.get_by_label("Password")).to_be_focused()
    assert faults_of(tab) == []
    tab.keyboard.press("Escape")
    tab.get_by_label("Password").focus()
    tab.keyboard.type("wrong")
    tab.keyboard.press("Enter")
    expect(tab.get_by_role("alert")).to_contain_text("not right")
    tab.keyboard.type(PASSWORD)
    tab.keyboard.press("Enter")
    expect(note).to_have_value("new lot tomorrow")
    expect(note).to_be_focused()
    tab.get_by_role("button", name="Leave it").click()
    expect(tab.get_by_text("new lot tomorrow")).to_be_visible()


def test_locking_by_hand_covers_every_tab_and_its_news_end(tab: Page, house: House) -> None:
    """HZ-J04: two tabs of one browser lock and open together; whoever else signs in finds nothing of the first person's."""
    _sign_in(tab, house, "/")
    other = tab.context.new_page()
    other.goto(f"http://127.0.0.1:{house.port}/hand-over")
    field = other.get_by_label("What the next shift is to know or do")
    field.fill("new lot tomorrow")
    tab.get_by_role("button", name="Lock").click()
    for each in (tab, other):
        expect(each.get_by_role("heading", level=1)).to_have_text("Locked")
    tab.get_by_label("Password").fill(PASSWORD)
    tab.get_by_role("button", name="Go on").click()
    expect(field).to_have_value("new lot tomorrow")
    other.get_by_role("button", name="Lock").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Locked")
    tab.get_by_role("link", name="Somebody else signs in").click()
    tab.get_by_label("Your name").fill(NAMES[Role.SUPERVISOR])
    tab.get_by_label("Password").fill(PASSWORD)
    tab.keyboard.press("Enter")
    expect(tab.locator("header")).to_contain_text(NAMES[Role.SUPERVISOR])
    expect(other.locator("header")).to_contain_text(NAMES[Role.SUPERVISOR])
    assert "new lot" not in other.content()


def test_a_lock_that_the_server_did_not_hear_of_stays(browser: Browser, house: House) -> None:
    """HZ-J04: while Padpost does not answer, and when it answers again, the page uncovers by the password alone; so does one that is loaded anew."""
    cut = (
        "Failed to load resource: net::ERR_CONNECTION_FAILED",
        f"http://127.0.0.1:{house.port}/lock: net::ERR_CONNECTION_FAILED",
    )
    with Tab(browser, allowed=(*REFUSED, *cut)) as tab:
        _sign_in(tab, house, "/hand-over")
        heading = tab.get_by_role("heading", level=1)
        tab.route("**/lock", lambda route: route.abort("connectionfailed"))
        tab.get_by_role("button", name="Lock").click()
        for _ in range(2):
            with tab.expect_event("requestfailed", timeout=5_000):
                tab.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
            expect(heading).to_have_text("Locked")
        tab.reload()
        expect(heading).to_have_text("Locked")
        tab.unroute("**/lock")
        with tab.expect_response("**/api/session"):
            tab.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(heading).to_have_text("Locked")
        assert tab.request.get(f"http://127.0.0.1:{house.port}/api/session").json()["state"] == "locked"
        tab.get_by_label("Password").fill(PASSWORD)
        tab.keyboard.press("Enter")
        expect(heading).to_have_text("Hand-over")


def test_a_page_that_covers_after_the_server_locked_opens_by_the_password(tab: Page, house: House) -> None:
    """HZ-J04: the server's time may be over first; and a page of before Padpost began anew, whose forms are too old, locks too, each time."""
    _sign_in(tab, house, "/hand-over")
    heading = tab.get_by_role("heading", level=1)
    house.stocked.now += TERMS.idle
    for is_too_old in (False, True, True):
        if is_too_old:
            tab.evaluate("document.querySelector('#lock [name=token]').value = 'of-before'")
        with tab.expect_response(lambda answer: answer.url.endswith("/lock") and answer.status != 403):
            tab.get_by_role("button", name="Lock").click()
        expect(heading).to_have_text("Locked")
        tab.get_by_label("Password").fill(PASSWORD)
        tab.keyboard.press("Enter")
        expect(heading).to_have_text("Hand-over")


def test_without_script_the_next_request_asks_and_the_form_comes_again(browser: Browser, house: House) -> None:
    """HZ-J04: what was typed is there once more after the password."""
    with Tab(browser, java_script_enabled=False, allowed=REFUSED) as tab:
        _sign_in(tab, house, "/hand-over")
        tab.get_by_label("What the next shift is to know or do").fill("new lot tomorrow")
        house.stocked.now += TERMS.idle
        tab.get_by_role("button", name="Leave it").click()
        expect(tab.get_by_role("heading", level=1)).to_have_text("Locked")
        assert "new lot" not in tab.content()
        tab.get_by_label("Password").fill(PASSWORD)
        tab.get_by_role("button", name="Sign in").click()
        tab.get_by_role("button", name="Do it").click()
        expect(tab.get_by_text("new lot tomorrow")).to_be_visible()
    wait_until(lambda: len(house.stocked.store.hand_over(since=NOW)) == 1)
