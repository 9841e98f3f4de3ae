"""Signing in at a real browser: by the keyboard alone, on pages that shut nobody out, and out again so that Back shows nothing."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from bridge.accounts.people import Role
from tests.browser.test_every_page import faults_of
from tests.pages.peopled import NAMES, PASSWORD, House

pytestmark = pytest.mark.browser


def _sign_in(tab: Page, house: House, role: Role, path: str = "/") -> None:
    """From the address to the page behind it, without the mouse."""
    tab.goto(f"http://127.0.0.1:{house.port}{path}")
    expect(tab.get_by_label("Your name")).to_be_focused()
    tab.keyboard.type(NAMES[role])
    tab.keyboard.press("Tab")
    tab.keyboard.type(PASSWORD)
    tab.keyboard.press("Enter")
    expect(tab.get_by_role("button", name="Sign out")).to_be_visible()


def test_one_signs_in_with_the_keyboard_and_out_again(house: House, tab: Page) -> None:
    """HZ-J01: the page that was asked for comes; who is signed in stands on it; after signing out the browser has nothing to go back to."""
    _sign_in(tab, house, Role.TECHNICIAN, "/results")
    assert tab.url.endswith("/results")
    header = tab.locator("header")
    expect(header).to_contain_text(f"{NAMES[Role.TECHNICIAN]} technician")
    assert header.get_by_role("link", name="Accounts").count() == 0
    tab.get_by_role("button", name="Sign out").press("Enter")
    expect(tab.get_by_role("heading", level=1)).to_have_text("Sign in")
    tab.go_back()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_the_pages_of_accounts_shut_nobody_out(house: House, tab: Page) -> None:
    """As tests/browser/test_every_page.py asks of all others, whose site has no accounts."""
    origin = f"http://127.0.0.1:{house.port}"
    faults = []
    for path in ("/sign-in", "/first-sign-in", "/emergency"):
        tab.goto(origin + path)
        faults += [f"{path}: {each}" for each in faults_of(tab)]
    _sign_in(tab, house, Role.ADMINISTRATOR)
    for path in ("/", "/accounts", "/password", "/envelopes"):
        tab.goto(origin + path)
        faults += [f"{path}: {each}" for each in faults_of(tab)]
    assert faults == []
    tab.goto(f"{origin}/accounts")
    assert tab.locator("nav [aria-current=page]").inner_text() == "Accounts"
