"""Signals in a real browser: one is taken in hand from the keyboard, and a page sounds where it was asked to."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, expect

from bridge.pages.site import ShownWay
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from tests.browser.by_keyboard import fill, follow
from tests.browser.watched import Tab
from tests.pages.stocked import NOW, Stocked, wait_until
from tests.pages.test_signals import of
from tests.store.signal_contract import MAIL, keep

pytestmark = pytest.mark.browser
SITE = {"ways": (ShownWay(name="mail", host="mail.example", addresses=1),)}
# counts the tones that a page really starts
TONES = """window.tones = 0; const start = AudioScheduledSourceNode.prototype.start;
AudioScheduledSourceNode.prototype.start = function (...at) { window.tones += 1; return start.apply(this, at); };"""


def stocked(shelf: Stocked) -> int:
    """Give three signals that stand; the id of the urgent one."""
    keep(shelf.store, of(Kind.SILENT, "bench-a"), at=NOW)
    keep(shelf.store, of(Kind.RECEIVER, "records", "chart", state=SignalState.EASING), replace(MAIL, due_at=NOW), at=NOW)
    return keep(shelf.store, of(Kind.STAT, "stop:12", "strip:9"), at=NOW)


def test_a_signal_is_taken_in_hand_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From Today's head to one's own name with letters, Tab and Enter."""
    number = stocked(shelf)
    with shelf.serving(**SITE) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "2 STAT strips have not gone")
        card = tab.locator(f"#signal-{number}")
        fill(tab, ("Your name", "Ana"), ("Note", "on my way"))
        follow(tab)
        expect(card).to_contain_text("in hand, Ana since")
    assert [each.acknowledged_by for each in shelf.store.standing_signals() if each.kind is Kind.STAT] == ["Ana"]


def test_a_page_sounds_only_where_a_person_asked_for_it(shelf: Stocked, browser: Browser) -> None:
    """Off at first; switched on it sounds and a bar says why; hushed it is quiet; taken in hand the bar goes."""
    number = keep(shelf.store, of(Kind.STAT, "stop:12"), at=NOW)
    with shelf.serving(**SITE) as visitor, Tab(browser, allowed=("The AudioContext was not allowed",)) as tab:
        tab.add_init_script(TONES)
        tab.goto(visitor.origin + "/signals")
        assert tab.evaluate("window.tones") == 0
        expect(tab.locator("#ringing")).to_be_hidden()
        tab.get_by_label("Sound on this screen").check()
        wait_until(lambda: tab.evaluate("window.tones") >= 2)  # the pages forbid what `wait_for_function` does
        tab.reload()
        expect(tab.locator("#ringing")).to_contain_text("A signal is open")
        tab.get_by_role("button", name="Hush for 10 min").click()
        tab.reload()
        expect(tab.locator("#ringing-words")).to_have_text("A signal is open")
        assert tab.evaluate("window.tones") == 0
        visitor.post(f"/signals/{number}/acknowledge", name="Ana")
        tab.reload()
        tab.wait_for_load_state("networkidle")
        expect(tab.locator("#ringing")).to_be_hidden()
