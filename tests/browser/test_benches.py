"""Switching at a shared bench in a real browser, by a scanner and by the keyboard (HZ-J04)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.accounts.people import Role
from tests.browser.test_every_page import faults_of
from tests.browser.watched import Tab
from tests.pages.peopled import NAMES, PASSWORD, House
from tests.pages.test_benches import BADGE, PIN, chosen

pytestmark = pytest.mark.browser


@pytest.fixture
def tab(browser: Browser, house: House) -> Iterator[Page]:
    """Open a tab in which a refusal is no fault; it is closed before the house is."""
    with Tab(browser, allowed=("Failed to load resource: the server responded with a status of 40",)) as page:
        yield page


def test_a_supervisor_opens_a_bench_and_a_technician_switches_by_scan_and_by_pin(tab: Page, house: House) -> None:
    """HZ-J04: by keyboard alone; a scanner ends with Enter; the name on every tab is the new one, and what was typed before is nobody's."""
    chosen(house)
    origin = f"http://127.0.0.1:{house.port}"
    tab.goto(f"{origin}/bench")
    tab.keyboard.type(NAMES[Role.SUPERVISOR])
    tab.keyboard.press("Tab")
    tab.keyboard.type(PASSWORD)
    tab.keyboard.press("Enter")
    tab.get_by_text("Make this browser a shared bench").press("Enter")
    tab.get_by_label("Name of the bench").fill("Bench 1")
    tab.get_by_label("Your password").fill(PASSWORD)
    tab.get_by_role("button", name="Make it a shared bench").press("Enter")
    expect(tab.locator("main")).to_contain_text("This browser is the shared bench Bench 1.")
    faults = faults_of(tab)
    other = tab.context.new_page()
    other.goto(f"{origin}/hand-over")
    other.get_by_label("What the next shift is to know or do").fill("half a thought of the supervisor")
    tab.bring_to_front()
    tab.get_by_role("link", name="Switch").press("Enter")
    expect(tab.get_by_label("Scan your badge")).to_be_focused()
    faults += faults_of(tab)
    tab.get_by_label("Scan your badge").focus()
    tab.keyboard.type(BADGE)
    tab.keyboard.press("Enter")
    header = tab.locator("header")
    expect(header).to_contain_text(f"{NAMES[Role.TECHNICIAN]} technician")
    expect(other.locator("header")).to_contain_text(NAMES[Role.TECHNICIAN])
    other.goto(f"{origin}/hand-over")
    expect(other.get_by_label("What the next shift is to know or do")).to_have_value("")
    other.close()
    tab.goto(f"{origin}/quick")
    faults += faults_of(tab)
    tab.get_by_role("link", name="Switch").press("Enter")
    tab.get_by_label("Your name").fill(NAMES[Role.TECHNICIAN])
    tab.keyboard.press("Tab")
    tab.keyboard.type(PIN)
    tab.keyboard.press("Enter")
    expect(tab).to_have_url(f"{origin}/")
    expect(header).to_contain_text(f"{NAMES[Role.TECHNICIAN]} technician")
    assert faults == []
