"""The digest of a shift says what is open, once at each of its times, also where that is nothing; and names no patient."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.deliver.mail import MailClient
from bridge.desk.waits import Awaits, Pile
from bridge.lifecycle.states import StopEnd
from bridge.queue.leases import FREE
from bridge.settings import Digest, MailWay
from bridge.shift_digest import NOTHING, ShiftDigest, Sums, Terms, headline, text
from bridge.signal_ways import Sender, Way
from bridge.signals.told import Audience
from bridge.store.rows import SayState
from bridge.store.sqlite import SqliteStore
from bridge.tables.telling_terms import TellingTerms
from tests.peers.mail_server import Mailbox, mail_server
from tests.store import strips as s
from tests.store.stop_contract import assign, held, refused
from tests.store.strips import BO, NOW

UTC_ZONE = ZoneInfo("UTC")
TERMS = Terms(schemes={}, controls=None, telling=TellingTerms(overdue_minutes=20))
EMPTY = Sums(piles=(), missing={}, shut={}, to_tell=0, overdue=0)


class Bench:
    """A store, a real mail server, a clock that a test moves, and processes that say a digest at 09:30 and 17:30."""

    def __init__(self, folder: Path, mailbox: Mailbox) -> None:
        self.at = datetime(2026, 11, 25, 9, 0, tzinfo=UTC_ZONE)
        self.store = SqliteStore(folder, now=lambda: self.at)
        self.mailbox = mailbox
        settings = MailWay(
            kind="mail", name="lab", host="127.0.0.1", port=mailbox.port, security="none", sender="padpost@clinic.example",
            to=("lab@clinic.example",),
        )  # fmt: skip
        self.way = Way(audience=Audience(way="lab"), client=MailClient(settings, site="Saltmarsh Clinic"))

    def digest(self) -> ShiftDigest:
        """Give a process's own."""
        times = Digest(times=(time(9, 30), time(17, 30)))
        return ShiftDigest(self.store, times, (self.way,), TERMS, zone=UTC_ZONE, now=lambda: self.at)

    def look(self, *, minutes: int, processes: int = 1) -> list[str]:
        """Let time pass, let so many processes look, and say what is due; give the subjects that arrived by then."""
        self.at += timedelta(minutes=minutes)

        async def looked() -> None:
            await asyncio.gather(*(self.digest().keep() for _ in range(processes)))
            await Sender(self.store, (self.way,), grip=FREE, now=lambda: self.at).send()

        asyncio.run(looked())
        return [str(each["Subject"]).strip() for each in self.mailbox.taken]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    mailbox = Mailbox()
    with mail_server(mailbox):
        made = Bench(tmp_path / "store", mailbox)
        yield made
        made.store.close()


def test_it_is_said_once_at_each_time_whoever_looks(bench: Bench) -> None:
    """HZ-K03: of several processes one, not again after a restart, and late where nobody ran at its time. The first time of a store is only marked."""
    assert bench.look(minutes=0) == []  # yesterday's
    held(bench.store, "1")
    assert bench.look(minutes=29) == []
    first = "Saltmarsh Clinic: Digest: 1 wait for a person, 1 of them taken by nobody"
    assert bench.look(minutes=2, processes=4) == [first]
    assert bench.look(minutes=5, processes=2) == [first]
    assert bench.look(minutes=10 * 60) == [first, first]  # the one of 17:30, at 19:36
    assert bench.look(minutes=1) == [first, first]


def test_it_says_each_cause_with_its_oldest_and_whose_it_is_and_no_patient(bench: Bench) -> None:
    """What the pages call each cause; a receiver, an analyzer and people are named, nothing that was printed is."""
    bench.look(minutes=0)
    held(bench.store, "1")
    mine = held(bench.store, "2", at=5)
    assign(bench.store, mine, "Eda Silva")
    refused(bench.store, "R4")
    bench.look(minutes=31)
    (mail,) = bench.mailbox.taken
    body = mail.get_content()
    assert "- 2 waiting for your decision: same patient and values, other number; the oldest since" in body
    assert "; with nobody 1, Eda Silva 1" in body
    assert "- 1 records: turned away; the oldest since" in body
    assert "4711" not in body + str(mail["Subject"])


def test_nothing_open_is_said_in_a_line(bench: Bench) -> None:
    """So a digest that is missing is noticed."""
    bench.look(minutes=0)
    assert bench.look(minutes=31) == [f"Saltmarsh Clinic: Digest: {NOTHING}"]
    assert "Nothing is open: nothing waits" in bench.mailbox.taken[0].get_content()


def test_one_that_could_not_be_said_gives_way_to_the_next(bench: Bench) -> None:
    """Two digests of two shifts at once would say what is over; the older is dropped."""
    bench.look(minutes=0)
    stop = held(bench.store, "1")
    bench.mailbox.answer = "451 later"
    bench.look(minutes=31)
    bench.mailbox.answer = ""
    s.close(bench.store, stop, StopEnd.DISCARDED)
    assert bench.look(minutes=8 * 60) == [f"Saltmarsh Clinic: Digest: {NOTHING}"]
    assert [each.state for each in bench.store.newest_says(limit=9)] == [SayState.SAID, SayState.DROPPED]


def test_a_test_goes_at_once_and_is_kept_with_who_asked(bench: Bench) -> None:
    """It says so, and the next digest comes all the same."""
    page = bench.digest().on_page(lambda: "x1")
    assert (page.times, page.ways, page.now()[:15]) == ((time(9, 30), time(17, 30)), ("lab",), "Nothing is open")
    assert asyncio.run(page.test(BO)) == (("lab", ""),)
    assert bench.mailbox.taken[0].get_content().startswith("This is a test: somebody asked for it.")
    (kept,) = bench.store.newest_says(limit=9)
    assert (kept.actor, kept.state, kept.headline) == (BO.name, SayState.SAID, NOTHING)
    assert bench.store.last_digest() is None


def test_a_site_without_times_has_none(bench: Bench) -> None:
    """Nothing is kept, nothing marked."""
    asyncio.run(ShiftDigest(bench.store, None, (bench.way,), TERMS, zone=UTC_ZONE, now=lambda: bench.at).keep())
    assert bench.store.last_digest() is None


def test_all_that_is_open_has_its_line() -> None:
    """Critical results first: they may hurt somebody within the hour."""
    pile = Pile(awaits=Awaits.CLOSED, of="records", count=12, oldest=NOW)
    found = replace(EMPTY, piles=(pile,), missing={"bench-b": 1, "bench-a": 3}, shut={"bench-a": 2}, to_tell=2, overdue=1)
    assert headline(found) == "2 critical to tell, 1 overdue; 0 wait for a person, 0 of them taken by nobody"
    assert text(found, zone=UTC_ZONE).splitlines() == [
        "Critical results that nobody was told of yet: 2, 1 of them overdue.",
        "What waits, and for what:",
        f"- 12 waiting for records, which takes nothing now; the oldest since {NOW:%Y-%m-%d %H:%M}",
        "Missing numbers of the last two days: bench-a 3, bench-b 1.",
        "Lots of strips whose patient results wait for controls: bench-a 2.",
    ]


def test_what_is_on_its_way_is_not_open(bench: Bench) -> None:
    """A receiver that takes what comes is no cause; one that is closed is."""
    s.post(bench.store, "R1")
    assert bench.digest().shown().startswith("Nothing is open")
