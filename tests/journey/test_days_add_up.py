"""Random days at the bench, through the real judging and a real store: the day sheet adds up, against what the analyzer itself did.

The oracle is the analyzer's own account of the day, kept apart while it is played: which numbers it used, which of them never came.
"""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import cast

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.bench.gaps import Gap
from bridge.bench.tally import FIRST_FATES, DayTally, Fate, SeriesTally
from bridge.demo.printers import Play, framed, printed
from bridge.judging import Ids, Judging
from bridge.model import Capture, Way
from bridge.pages.day_sheet import day_sheet
from bridge.pages.site import Bench, PagesSite
from bridge.plan_book import PlanBook
from bridge.store.api import Store
from bridge.store.commands import KeepCapture
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import SeriesRule
from tests.judging_for_tests import ORU
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables

FIRST_DAY = date(2026, 11, 23)
DAYS = 3
ANALYZER = "bench-a"
_BROOK = tables().profiles["brook"]
PROFILE = replace(_BROOK, numbers=replace(_BROOK.numbers, series=SeriesRule.DAILY))  # a counter that starts again each day
TABLES = replace(tables(), profiles={**tables().profiles, "brook": PROFILE})
RECEIVERS = (ORU, replace(ORU, name="chart"))
SCHEMES = {ANALYZER: PROFILE.numbers}

# What one strip at the bench comes to. Each uses a number of the analyzer's, but for what is sent again.
HAPPENS = st.sampled_from(["sent"] * 6 + ["lost", "unreadable", "control", "bad id", "again", "conflict"])
day_plans = st.lists(st.lists(HAPPENS, max_size=9), min_size=DAYS, max_size=DAYS)


class Account:
    """What the analyzer did on one day, by its own count."""

    def __init__(self) -> None:
        self.used: list[int] = []
        self.lost: set[int] = set()
        self.counts = dict.fromkeys(Fate, 0)
        self.unreadable = 0
        self.plays: list[Play] = []


class Days:
    """One analyzer whose counter starts again each day, and two receivers."""

    def __init__(self, store: SqliteStore) -> None:
        self.store = store
        book = PlanBook(RECEIVERS, ["brook"], TABLES)
        for each in RECEIVERS:
            book.passed(each.name)
        self.now = _at(FIRST_DAY)
        self.judging = Judging(
            cast("Store", store), TABLES, book, Ids(cast("Store", store)), lambda: self.now, profiles={"line": "brook"}
        )
        self.patients = 0

    def play(self, number: int, happens: str, account: Account) -> None:
        """Let one thing happen at the bench; it takes three minutes."""
        self.now += timedelta(minutes=3)
        if happens in {"again", "conflict"}:
            if account.plays:
                conflict = happens == "conflict"
                first = (
                    account.plays.pop() if conflict else account.plays[-1]
                )  # the same conflict twice would be a copy of itself
                self._send(replace(first, ranks={"glucose": 3} if conflict else first.ranks))
                account.counts[Fate.CONFLICT if conflict else Fate.COPY] += 1
            return
        account.used.append(number)
        if happens in {"lost", "unreadable"}:
            account.lost.add(number)
            if happens == "unreadable":
                self._arrives(b"\x02torn in the middle")
                account.unreadable += 1
            return
        self.patients += 1
        valid = happens != "bad id"
        made = Play(
            number=number,
            at=self.now.astimezone(ZONE),
            word="C" if happens == "control" else "N",
            strip_type="quill-10",
            patient_id=f"{40700000 + self.patients}" if valid else "",
            specimen_id="CTRL" if happens == "control" else "",
        )
        self._send(made)
        fate = {"control": Fate.CONTROL, "bad id": Fate.REJECTED}.get(happens, Fate.SENT_ON)
        account.counts[fate] += 1
        if happens == "sent":
            account.plays.append(made)

    def _send(self, made: Play) -> None:
        self._arrives(framed(printed([made], PROFILE, TABLES), PROFILE))

    def _arrives(self, payload: bytes) -> None:
        capture = Capture(source="line", way=Way.SERIAL, arrived_at=self.now, payload=payload)
        self.store.submit(KeepCapture(capture=capture, analyzer=ANALYZER, profile="brook")).result(WAIT)

    def sheet(self, day: date) -> DayTally:
        """Give the sums of a day as its sheet has them."""
        site = PagesSite(name="x", zone=ZONE, port=1, secret=b"s" * 32, bench=Bench(tables=tables(), terms=()), schemes=SCHEMES)
        return day_sheet(cast("Store", self.store), site, day, now=self.now).tally


def _at(day: date) -> datetime:
    return datetime.combine(day, time(8), tzinfo=ZONE).astimezone(UTC)


def numbers_of(gaps: Iterator[Gap]) -> set[int]:
    """Give the numbers of gaps, one by one."""
    return {number for gap in gaps for number in range(gap.first, gap.last + 1)}


def known_missing(account: Account) -> set[int]:
    """Give the lost numbers that a later number of the day gives away: what is lost last is not known to be lost."""
    arrived = [number for number in account.used if number not in account.lost]
    return {number for number in account.lost if arrived and number < max(arrived)}


@settings(max_examples=40, deadline=None)
@given(plans=day_plans)
def test_every_days_sheet_adds_up_against_the_analyzers_own_account(plans: list[list[str]]) -> None:
    """Over three days with restarts of the counter, resends, conflicts, two receivers and unreadable captures; HZ-D11 and HZ-F05 among them."""
    accounts = [Account() for _ in plans]
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder), now=lambda: _at(FIRST_DAY))
        days = Days(store)
        try:
            for back, (plan, account) in enumerate(zip(plans, accounts, strict=True)):
                days.now = _at(FIRST_DAY + timedelta(days=back))
                number = 0
                for happens in plan:
                    number += happens not in {"again", "conflict"}
                    days.play(number, happens, account)
                    asyncio.run(days.judging.work_off(ANALYZER))
            for back, account in enumerate(accounts):
                _adds_up(days.sheet(FIRST_DAY + timedelta(days=back)), account)
        finally:
            store.close()


def _adds_up(day: DayTally, account: Account) -> None:
    numbered = [number for number in account.used if number not in account.lost]
    assert len(day.series) == bool(numbered)
    for series in day.series:
        _series_adds_up(series, account, numbered)
    assert sum(len(found) for found in day.unnumbered.values()) == account.unreadable
    for to in day.destinations:
        assert to.sent_on == account.counts[Fate.SENT_ON] == sum(map(len, to.strips.values())), to.destination
        assert to.unaccounted == ()
    assert len(day.destinations) == (len(RECEIVERS) if account.counts[Fate.SENT_ON] else 0)


def _series_adds_up(series: SeriesTally, account: Account, numbered: list[int]) -> None:
    counts = {fate: len(found) for fate, found in series.strips.items()}
    assert counts == account.counts
    missing = numbers_of(part.gap for part in series.missing)
    assert missing == known_missing(account)
    assert series.used == len(numbered) + len(missing) == max(numbered)
    assert series.first_readings == sum(account.counts[fate] for fate in FIRST_FATES) == len(numbered)
    assert series.readings == series.first_readings + counts[Fate.COPY] + counts[Fate.CONFLICT]
    assert (series.difference, series.repeated, series.orphaned) == (0, (), ())
