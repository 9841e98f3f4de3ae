"""The technician's tasks of docs/tasks.md that no other module shows, with the keyboard alone; and that each task there is shown somewhere."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge import clock
from bridge.lifecycle.states import StopGroup
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.judged import Bench, with_policy
from tests.browser.by_keyboard import fill, follow, reach
from tests.browser.watched import Tab
from tests.journey.running import play, running
from tests.pages.stocked import GOOD, MISTYPED, NOW, Stocked

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
SHOWN_BY = re.compile(r"`(browser/test_\w+\.py)::(test_\w+)`")


def test_a_held_stat_strip_is_released(tmp_path: Path, tab: Page) -> None:
    """HZ-I05: from Today to the record: the strip whose clock is ahead is sent as it is, by name and with a reason."""
    with running(tmp_path) as bridge:
        ahead = clock.now() + timedelta(hours=2)
        bridge.drop("a.txt", bridge.tern(play(1, GOOD, word="Urgente", at=ahead)))
        bridge.wait(lambda: bridge.store.stops(group=StopGroup.HELD))
        tab.goto(bridge.url)
        follow(tab, "1 waiting for your decision")
        follow(tab, "STAT")
        expect(tab.locator("main")).to_contain_text("STAT")
        reach(tab, "Release: send it as it is")
        tab.keyboard.press("Enter")
        tab.keyboard.press("Tab")
        fill(tab, ("Your name", "Ana"), ("Reason", "the analyzer's clock is two hours ahead; label compared"))
        follow(tab, "Release")
        expect(tab.get_by_text("Dealt with: released by Ana (unverified)")).to_be_visible()
        bridge.wait(lambda: len(bridge.records.results) == 1 and bridge.records.filed_reports() == 1)
        bridge.wait(lambda: {state for row in bridge.store.results() for _, state in row.states} == {"accepted"})


def test_why_yesterday_s_strip_did_not_arrive(shelf: Stocked, browser: Browser) -> None:
    """Three answers, each found from Today: it was stopped, and why; its number never came; it was sent, and what the receiver said."""
    shelf.coded(GOOD, number="40")
    shelf.rejected(MISTYPED, number="41")
    shelf.coded(GOOD, number="43")
    shelf.refused(number="44")
    shelf.now = NOW + timedelta(days=1)
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "Rejected messages")
        reach(tab, f"{MISTYPED} · bench-a 41")
        follow(tab)
        expect(tab.get_by_role("heading", level=1)).to_have_text("Patient ID fails its check digit.")
        tab.keyboard.press("Escape")
        with tab.expect_navigation():
            tab.keyboard.press("Escape")
        reach(tab, f"{GOOD} · bench-a 44")
        follow(tab)
        expect(tab.locator("main")).to_contain_text("No such patient")
        tab.go_back()
        follow(tab, "Numbers")
        expect(tab.locator("main")).to_contain_text(
            "42 was read and never arrived. Send it from the analyzer's memory if you can"
        )
        follow(tab, "2026-11-25")
        expect(tab.get_by_role("heading", level=1)).to_contain_text("2026-11-25")


def test_the_month_s_controls_are_signed(shelf: Stocked, browser: Browser) -> None:
    """From Today to the signature, with what is not settled named in the remark."""
    bench = Bench(shelf.store, with_policy())
    bench.read(bench.control("1")), bench.read(bench.control("2"))
    shelf.now = datetime(2026, 12, 2, 8, 0, tzinfo=UTC)
    told = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=told) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "Controls")
        follow(tab, "Months")
        follow(tab, "November 2026")
        fill(tab, ("Your name", "Ana"), ("Remark", "started in the last week"))
        follow(tab, "Sign the month")
        expect(tab.locator("main")).to_contain_text("Ana")
    (signed,) = shelf.store.month_signatures(since=date(2026, 11, 1), until=date(2026, 11, 30))
    assert signed.by == "Ana"


def test_each_task_of_the_page_is_shown_by_a_test() -> None:
    """Ten tasks, each with its keys; a test that is renamed drops out of none."""
    page = (ROOT / "docs" / "tasks.md").read_text(encoding="utf-8")
    tasks = page.split("\n## ")[1:]
    assert len(tasks) == 10
    for task in tasks:
        shown = SHOWN_BY.findall(task)
        assert shown, task
        for module, test in shown:
            assert f"def {test}(" in (ROOT / "tests" / module).read_text(encoding="utf-8"), test
