"""Signing in by a directory at a real browser, by the keyboard alone; the directory is a provider that others wrote."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge import clock
from tests.browser.by_keyboard import follow
from tests.browser.test_every_page import faults_of
from tests.browser.watched import Tab
from tests.pages.from_directory import ANA, serving
from tests.pages.peopled import House
from tests.pages.stocked import Stocked
from tests.peers.directory_server import provider_process

pytestmark = pytest.mark.browser


@pytest.fixture
def house(shelf: Stocked) -> Iterator[House]:
    """Serve the pages to people of a directory and to those of the site."""
    shelf.now = clock.now()
    with provider_process({"sub": "u-17", **ANA}) as issuer, serving(shelf, issuer) as house:
        yield house


@pytest.fixture
def tab(browser: Browser) -> Iterator[Page]:
    """Open a tab in which the provider's page may lack its icon, and takes its style from nowhere."""
    with Tab(browser, allowed=("Failed to load resource: the server responded with a status of 404",)) as page:
        page.route(re.compile("^https:"), lambda route: route.fulfill(body="", content_type="text/css"))
        yield page


def test_one_comes_in_by_the_directory_with_the_keyboard_and_leaves_both(house: House, tab: Page) -> None:
    """HZ-J04: from the page that was asked for to the directory and back to it; whoever leaves is led to leave the directory too, since the next person sits down here."""
    origin = f"http://127.0.0.1:{house.port}"
    tab.goto(f"{origin}/results")
    assert faults_of(tab) == []
    follow(tab, "Sign in by the hospital")
    assert not tab.url.startswith(origin)
    follow(tab, "u-17")
    expect(tab.locator("header")).to_contain_text("Ana Lima technician")
    assert tab.url == f"{origin}/results"
    tab.goto(f"{origin}/sign-in/directory?code=yes")
    follow(tab, "u-17")
    expect(tab.get_by_role("heading", level=1)).to_have_text("Your code")
    assert faults_of(tab) == []
    tab.goto(f"{origin}/controls/lots/new")
    follow(tab, "Ana Lima")
    expect(tab.get_by_role("main")).to_contain_text("change it there")
    assert faults_of(tab) == []
    follow(tab, "Sign out")
    expect(tab.get_by_role("main")).to_contain_text("You are signed out here.")
    assert faults_of(tab) == []
    follow(tab, "sign out there too")
    follow(tab, "End session")
    assert tab.url.startswith(f"{origin}/sign-in")
