"""The technician's minute, with the keyboard alone, in a real browser on a whole running bridge."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.lifecycle.states import StopGroup, StopState
from tests.browser.by_keyboard import reach
from tests.browser.watched import Tab
from tests.journey.running import Running, play, running
from tests.pages.stocked import GOOD

pytestmark = pytest.mark.browser
SWAPPED = "40700070"  # two neighbours changed places: fails its Luhn check digit


@pytest.fixture
def bridge(tmp_path: Path) -> Iterator[Running]:
    """Run a whole bridge with its record system."""
    with running(tmp_path) as subject:
        yield subject


def focused(tab: Page) -> str:
    """Give the name, or else the text, of what has the focus."""
    return str(tab.evaluate("document.activeElement.name || document.activeElement.textContent.trim().replace(/\\s+/g, ' ')"))


def follow(tab: Page) -> None:
    """Press Enter and wait until the next page is loaded, its keys with it."""
    with tab.expect_navigation():
        tab.keyboard.press("Enter")


def type_and_enter(tab: Page, text: str) -> None:
    """Do as a scanner does: keys, then Enter."""
    tab.keyboard.type(text)
    tab.keyboard.press("Enter")


def test_a_mistyped_id_is_mended_with_the_keyboard_alone(bridge: Running, tab: Page) -> None:
    """From Today to filed: no pointer, no address typed; and no Enter of the scanner sends half a form."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED)))
    (stop,) = bridge.wait(lambda: bridge.store.stops(group=StopGroup.REJECTED))
    tab.goto(bridge.url)
    reach(tab, "1 cannot be sent")
    follow(tab)
    expect(tab.locator("h1")).to_have_text("Rejected messages")
    reach(tab, f"{SWAPPED} · bench-b 1")
    follow(tab)
    expect(tab.locator("h1")).to_have_text(f"Patient ID {SWAPPED} fails its check digit.")
    here = tab.url
    fields = []
    for text in (GOOD, GOOD, "1", "Ana", "typing slip"):
        fields.append(focused(tab))
        type_and_enter(tab, text)
        assert tab.url == here
        row = bridge.store.stop(stop.stop_id)
        assert row is not None
        assert row.state is StopState.OPEN
    assert fields == ["first", "second", "second_identifier", "name", "reason"]
    assert focused(tab) == "Correct, and send on if it passes"
    follow(tab)
    expect(tab.get_by_text("Dealt with: patient ID corrected by Ana (unverified)")).to_be_visible()
    bridge.wait(lambda: len(bridge.records.results) == 1 and bridge.records.filed_reports() == 1)
    (message,) = bridge.records.results.values()
    assert b"PID|1||" + GOOD.encode() in message
    bridge.wait(lambda: {state for row in bridge.store.results() for _, state in row.states} == {"accepted"})
    reach(tab, "Results")
    follow(tab)
    reach(tab, "Patient ID")
    expect(tab.locator("#search")).to_be_focused()
    with tab.expect_navigation():  # the list before the search has the same one row
        type_and_enter(tab, GOOD)
    expect(tab.locator("tbody tr")).to_have_count(1)
    reach(tab, GOOD)
    follow(tab)
    expect(tab.get_by_role("heading", name="records: received")).to_be_visible()
    assert tab.locator("ol.way").get_attribute("aria-label") == "The strip's way: acknowledged: received by every receiver"


def test_all_of_one_reason_are_read_again_with_a_preview(bridge: Running, tab: Page) -> None:
    """Choose the reason, look at the list, give name and reason; each row is replaced by what becomes of it."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED), play(2, "40700081")))
    before = bridge.wait(lambda: (found := bridge.store.stops(group=StopGroup.REJECTED)) and len(found) == 2 and found)
    tab.goto(f"{bridge.url}/rejected")
    tab.get_by_label("Reason").select_option("patient.check_digit")
    tab.get_by_role("button", name="Show", exact=True).click()
    tab.get_by_text("Read 2 rows of the reason “patient ID fails its check digit” again").click()
    expect(tab.locator("ol.preview li")).to_have_text(
        [
            "bench-b 2 · 40700081 Patient ID 40700081 fails its check digit.",
            f"bench-b 1 · {SWAPPED} Patient ID {SWAPPED} fails its check digit.",
        ]
    )
    form = tab.locator("form.act")
    form.get_by_label("Your name").fill("Ana")
    form.get_by_label("Reason").fill("profile mended")
    form.get_by_role("button", name="Read these 2 again").click()
    expect(tab.locator("h1")).to_have_text("Being read again")
    after = bridge.wait(
        lambda: (
            (found := bridge.store.stops(group=StopGroup.REJECTED))
            and len(found) == 2
            and not {row.stop_id for row in found} & {row.stop_id for row in before}
            and found
        )
    )
    assert {row.patient_id for row in after} == {SWAPPED, "40700081"}
    assert {row.closed_how for row in bridge.store.stops(is_open=False)} == {"read again"}


def test_without_script_half_a_form_does_not_leave_either(bridge: Running, browser: Browser) -> None:
    """A scanner's Enter in the first field meets the fields that are required; a full form is sent as anywhere."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED)))
    (stop,) = bridge.wait(lambda: bridge.store.stops(group=StopGroup.REJECTED))
    with Tab(browser, java_script_enabled=False) as tab:
        tab.goto(f"{bridge.url}/rejected/{stop.stop_id}")
        form = tab.locator("form.act").first
        form.get_by_label("Patient ID", exact=True).press_sequentially(GOOD)
        tab.keyboard.press("Enter")
        expect(form.get_by_label("Patient ID", exact=True)).to_have_value(GOOD)  # the page is the same one still
        form.get_by_label("Patient ID again").fill(GOOD)
        form.get_by_label("Specimen ID from the tube, or number from the slip; not from this screen").fill("1")
        form.get_by_label("Your name").fill("Ana")
        form.get_by_label("Reason").fill("typing slip")
        tab.keyboard.press("Enter")
        expect(tab.get_by_text("Dealt with:")).to_be_visible()
    row = bridge.store.stop(stop.stop_id)
    assert row is not None
    assert row.closed_how == "patient ID corrected"


def test_a_strip_that_comes_meanwhile_waits_in_the_bar(bridge: Running, tab: Page) -> None:
    """Nothing moves under the pointer; the count says what is new, and one click shows it."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED)))
    bridge.wait(lambda: bridge.store.stops(group=StopGroup.REJECTED))
    tab.goto(f"{bridge.url}/rejected")
    row = tab.locator("section ul.rows li").first
    place = row.bounding_box()
    bridge.drop("b.txt", bridge.tern(play(2, "40700081")))
    bar = tab.locator("#news")
    expect(bar).to_have_text("1 new since you opened this page. Show")
    expect(tab).to_have_title("(1) Rejected messages · Padpost")
    assert row.bounding_box() == place
    assert tab.locator("section ul.rows li").count() == 1
    bar.click()
    expect(tab.locator("section ul.rows li")).to_have_count(2)
    expect(tab.locator("#news")).to_be_hidden()
