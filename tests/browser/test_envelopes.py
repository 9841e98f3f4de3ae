"""The emergency envelope at a real browser, by the keyboard alone: sealed, opened, looked into."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from bridge.accounts.people import Role
from tests.browser.by_keyboard import fill, follow
from tests.browser.test_every_page import faults_of
from tests.pages.peopled import NAMES, PASSWORD, House

pytestmark = pytest.mark.browser


def _sign_in(tab: Page, role: Role) -> None:
    fill(tab, ("Your name", NAMES[role]), ("Password", PASSWORD))
    follow(tab, "Sign in")


def test_an_envelope_is_sealed_opened_and_looked_into(house: House, tab: Page) -> None:
    """HZ-J04: what the page shows once is what opens it; the use stands on a page that asks somebody else for a look."""
    origin = f"http://127.0.0.1:{house.port}"
    tab.goto(f"{origin}/accounts")
    _sign_in(tab, Role.ADMINISTRATOR)
    follow(tab, "Emergency envelopes")
    fill(tab, ("Reason", "the yearly one"), ("Your password", PASSWORD))
    follow(tab, "Make it and show it")
    secret = tab.locator("main code").inner_text()
    assert faults_of(tab) == []
    follow(tab, "Sign out")
    follow(tab, "Nobody can sign in")
    fill(tab, ("Your name", "Ana Lima"), ("Why", "the directory is down"), ("What stands in the envelope", secret))
    follow(tab, "Open the pages")
    expect(tab.locator("header")).to_contain_text("Emergency account supervisor")
    follow(tab, "Sign out")
    tab.goto(f"{origin}/envelopes")
    _sign_in(tab, Role.SUPERVISOR)
    expect(tab.get_by_role("main")).to_contain_text("by Ana Lima (as typed): the directory is down")
    assert faults_of(tab) == []
    fill(tab, ("What you found", "Ana, at night, rightly"))
    follow(tab, "I have looked into it")
    expect(tab.get_by_role("main")).to_contain_text("Looked into by Sam Costa")
