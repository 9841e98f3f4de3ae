"""Says signals by the site's ways: what is kept to be said, and tests."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol
from zoneinfo import ZoneInfo

import structlog

from bridge.model import Actor
from bridge.queue.leases import Grip
from bridge.signals.hours import quiet_until
from bridge.signals.machine import Signal, What
from bridge.signals.told import DIGEST, TEST, Audience, Told
from bridge.signals.words import headline, text
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import KeepTest, NewSay, NoteSaid
from bridge.store.rows import SayRow

log = structlog.get_logger()

AT_ONCE = 20  # ours: what one round says; a round ends before the next look is late
FIRST_REST = timedelta(seconds=30)  # ours: a server that is being started again is back by then
LONGEST_REST = timedelta(minutes=15)  # ours: a person who mends a mail server sees it work
GIVE_UP = timedelta(hours=24)  # ours: what stands for longer was said again meanwhile
DOUBLINGS = 5  # 30 s to 16 min, and LONGEST_REST caps it
TEST_HEADLINE = "this is a test of a way, nothing is wrong"
TEST_TEXT = "Somebody asked for this test. Nothing is wrong, and nothing is to be done."


class Says(Protocol):
    """A client of one way."""

    async def say(self, told: Told) -> str:
        """Say it once; give "" once it is taken, else why not."""

    async def close(self) -> None:
        """Close every connection."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """Who hears by it, and what says it."""

    audience: Audience
    client: Says


def says_of(signal: Signal, what: What, ways: Iterable[Way], *, now: datetime, zone: ZoneInfo) -> tuple[NewSay, ...]:
    """Give what is to be said of a signal by each way that hears of its kind; in quiet hours it is due at their end."""
    return tuple(
        NewSay(
            way=to.way,
            what=what,
            headline=headline(signal.kind, signal.causes),
            text=text(signal.kind, signal.causes, zone),
            due_at=(quiet_until(to.quiet, now=now, zone=zone) if to.is_spared(signal.kind) else None) or now,
        )
        for to in (way.audience for way in ways)
        if to.hears(signal.kind)
    )


def next_try(row: SayRow, *, now: datetime) -> datetime | None:
    """Give when to try again what failed just now; None to give it up."""
    if abs(now - row.at) >= GIVE_UP:
        return None
    return now + min(FIRST_REST * (1 << min(row.tries, DOUBLINGS)), LONGEST_REST)


class Sender:
    """Says what is due. A word that was sent and not yet noted when the process died is sent again, under the same identity."""

    def __init__(self, store: Store, ways: Sequence[Way], *, grip: Grip, now: Callable[[], datetime]) -> None:
        self._store = store
        self._ways: Mapping[str, Way] = {way.audience.way: way for way in ways}
        self._grip = grip
        self._now = now

    async def send(self) -> None:
        """Say what is due, ways side by side; of one way no more after the first that fails. Raises StoreError."""
        due = await asyncio.to_thread(self._store.due_says, now=self._now(), limit=AT_ONCE)
        by_way: dict[str, list[SayRow]] = defaultdict(list)
        for row in due:
            by_way[row.way].append(row)
        await asyncio.gather(*(self._send_by(way, rows) for way, rows in by_way.items()))

    async def _send_by(self, name: str, rows: Sequence[SayRow]) -> None:
        way = self._ways.get(name)
        for row in rows:
            if way is None:
                await self._note(row, "The site's file has no such way any more.", None)
                continue
            fault = await way.client.say(told_of(row, self._store.epoch))
            await self._note(row, fault, next_try(row, now=self._now()) if fault else None)
            if fault:
                return

    async def _note(self, row: SayRow, fault: str, due_at: datetime | None) -> None:
        command = NoteSaid(say_id=row.say_id, at=self._now(), fault=fault, due_at=due_at, lease=self._grip.fence())
        await done(self._store, command)
        if fault:
            log.warning("signal.not_said", say=row.say_id, way=row.way, tries=row.tries + 1, again=due_at is not None)
        else:
            log.info("signal.said", say=row.say_id, signal=row.signal_id, way=row.way, what=row.what)


def told_of(row: SayRow, epoch: str) -> Told:
    """Give what a kept row says. The epoch keeps its identity from being another store's."""
    if row.what == DIGEST:
        thread = f"{epoch}-digest"
        return Told(
            identity=f"{epoch}-{row.say_id}", thread=thread, what=row.what, headline=row.headline, text=row.text, at=row.at
        )
    return Told(
        identity=f"{epoch}-{row.say_id}",
        thread=f"{epoch}-signal-{row.signal_id}",
        what=row.what,
        headline=row.headline,
        text=f"{row.text}\n\nSignal {row.signal_id}. Who has it in hand says so on the page Signals.",
        at=row.at,
    )


async def say_test(ways: Sequence[Way], *, name: Callable[[], str], now: Callable[[], datetime]) -> tuple[tuple[str, str], ...]:
    """Say a test by each way, side by side; give for each its name and "" or why it did not go. ``name`` gives a new identity."""

    async def test(way: Way) -> tuple[str, str]:
        identity = f"test-{name()}"
        told = Told(identity=identity, thread=identity, what=TEST, headline=TEST_HEADLINE, text=TEST_TEXT, at=now())
        return way.audience.way, await way.client.say(told)

    return tuple(await asyncio.gather(*map(test, ways)))


class WayTester:
    """What the page's test button does: a test by each way, kept with who asked for it."""

    def __init__(self, store: Store, ways: Sequence[Way], *, name: Callable[[], str], now: Callable[[], datetime]) -> None:
        self._store = store
        self._ways = ways
        self._name = name
        self._now = now

    async def test(self, actor: Actor) -> tuple[tuple[str, str], ...]:
        """Test each way; give for each its name and "" or why it did not go. Raises StoreError."""
        found = await say_test(self._ways, name=self._name, now=self._now)
        for way, fault in found:
            await done(self._store, KeepTest(way=way, headline=TEST_HEADLINE, fault=fault, actor=actor, at=self._now()))
        return found
