"""The page Numbers and the day sheet in a real browser: a held run goes from the keyboard."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, expect

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.browser.by_keyboard import fill, follow
from tests.browser.watched import Tab
from tests.facts.test_shifts import Row
from tests.pages.stocked import Stocked
from tests.tables.shipped_tables import tables

pytestmark = pytest.mark.browser
TABLES = replace(tables(), policy=replace(tables().policy, run_pause_minutes=5))
SITE = {"bench": PagesBench(tables=TABLES, terms=example_terms()), "schemes": {"bench-a": tables().profiles["brook"].numbers}}


def stocked(shelf: Stocked) -> Row:
    """Give an analyzer with a held run, a gap, a question and something accounted for."""
    row = Row(shelf.store, TABLES)
    row.patients(2)
    row.skip()
    row.patients(3)
    row.pause(9)
    row.number += 500
    row.patients(1)
    return row


def test_a_held_run_goes_from_the_keyboard(shelf: Stocked, browser: Browser) -> None:
    """From Today to the two labels with Tab, letters and Enter; the run is off the list then."""
    row = stocked(shelf)
    first, last = row.held.strips[0], row.held.strips[-1]
    with shelf.serving(**SITE) as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        follow(tab, "1 run of strips held")
        expect(tab.get_by_role("heading", level=1)).to_have_text("Numbers")
        label = "Label of the specimen of strip"
        fill(tab, (f"{label} {first.number}", first.patient_id), (f"{label} {last.number}", last.patient_id))
        fill(tab, ("Your name", "Ana"), ("Reason", "labels compared"))
        follow(tab, "Let the whole run go")
        expect(tab.get_by_role("heading", name="Held runs")).to_have_count(0)
    row.work_off()
    assert row.sent == ["1", "2", "507", "4", "5", "6"]
