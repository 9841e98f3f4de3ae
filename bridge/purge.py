"""The site's purge: what is older than the site wants is emptied, a few rows at a time, while nothing else is to be done."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from functools import partial
from typing import Protocol

import structlog

from bridge.settings import Keep
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import PurgeCaptures, PurgeEvents, PurgeFiles, TrustClock
from bridge.store.rows import Old

log = structlog.get_logger()

LOOKED_AT = 500  # ours: rows that one question looks at; some milliseconds
# ours: captures that one transaction empties, so that a strip which comes just then waits a few milliseconds at most
AT_ONCE = 20
EVENTS_AT_ONCE = 200  # ours: as above; an event is one small row
SWEEP = timedelta(hours=1)  # ours: days are counted, so an hour more is none
REST_S = 0.05  # ours: between two transactions, so that purging takes a small part of the machine
BUSY_REST_S = 0.5  # ours: while strips wait to be judged
# ours: a site may be closed for a fortnight; a clock that is wrong by less purges so much too early at most
LONGEST_STANDSTILL = timedelta(days=14)
MOST_BUSY_RESTS = 20  # ours: ten seconds; a site that is never idle is purged all the same, slowly

Step = PurgeCaptures | PurgeFiles | PurgeEvents


class Purgeable(Protocol):
    """What finding old rows asks of a store."""

    def old_captures(self, *, before: datetime, results: bool, after: int, limit: int) -> Old:
        """Give captures behind the id ``after`` that are old and over."""

    def old_events(self, *, before: datetime, after: int, limit: int) -> Old:
        """Give events behind the id ``after`` that are old and of nothing open."""


def clock_doubt(trusted: datetime | None, now: datetime) -> str:
    """Say why nothing is to be purged by a clock that says ``now``, "" for no reason; ``trusted`` is when it was last held to be right.

    Purged is purged: a clock that is a year ahead, as after a board's battery died, would empty a year of results.
    """
    if trusted is None or now - trusted <= LONGEST_STANDSTILL:
        return ""
    return (
        f"Nothing is purged: the clock says {now:%Y-%m-%d}, and the store was last at work on {trusted:%Y-%m-%d}. Set the clock right; if it is"
        " right, and Padpost stood still so long, say padpost purge with --clock-is-right."
    )


Marks = dict[str, int]  # by what is purged: the id up to which all was looked at and is old


def steps(store: Purgeable, keep: Keep, *, now: datetime, marks: Marks | None = None) -> Iterator[Step]:
    """Give what is to be purged at ``now`` (aware, UTC), in small commands, oldest first; nothing where the site keeps everything.

    Goes on from ``marks`` and moves them. What was still open there when it was looked at is met again only by a look from the beginning.
    """
    marks = {} if marks is None else marks
    for days, results in ((keep.captures_days, False), (keep.results_days, True)):
        if days is None:
            continue
        before = now - timedelta(days=days)
        for old in _stretches(
            partial(store.old_captures, before=before, results=results), marks, "results" if results else "captures"
        ):
            for start in range(0, len(old.ids), AT_ONCE):
                yield PurgeCaptures(capture_ids=old.ids[start : start + AT_ONCE], results=results, at=now)
        if not results:
            yield PurgeFiles(before=before)
    if keep.events_days is not None:
        before = now - timedelta(days=keep.events_days)
        for old in _stretches(partial(store.old_events, before=before), marks, "events", EVENTS_AT_ONCE):
            if old.ids:
                yield PurgeEvents(event_ids=old.ids, before=before, at=now)


def _stretches(look: Callable[..., Old], marks: Marks, what: str, limit: int | None = None) -> Iterator[Old]:
    after: int | None = marks.get(what, 0)
    while after is not None:
        old = look(after=after, limit=limit or LOOKED_AT)
        yield old
        if old.last is not None:
            marks[what] = after  # the last stretch with something old may hold what is still too young
        after = old.last


class PurgeWatch:
    """Purges by the site's rule again and again while the service runs. ``notice`` says why it does not, "" while it does."""

    def __init__(self, store: Store, keep: Keep, now: Callable[[], datetime]) -> None:
        """Take the parts."""
        self._store = store
        self._keep = keep
        self._now = now
        self._marks: Marks = {}
        self._day: date | None = None
        self.notice = ""

    async def run(self) -> None:
        """Purge until cancelled."""
        while True:
            await self.sweep()
            await asyncio.sleep(SWEEP.total_seconds())

    async def sweep(self) -> None:
        """Purge once what is due, resting between the steps. Raises StoreError where it cannot be written.

        Goes on where the last one ended; the first of a day begins at the beginning, for what was still open then.
        """
        if self._keep == Keep() or not await self._is_clock_right():
            return
        emptied: Counter[str] = Counter()
        now = self._now()
        if self._day != now.date():
            self._day = now.date()
            self._marks.clear()
        due = steps(self._store, self._keep, now=now, marks=self._marks)
        while (step := await asyncio.to_thread(next, due, None)) is not None:
            await self._rest()
            emptied[type(step).__name__] += await done(self._store, step)
        if any(emptied.values()):
            log.info("purge.done", rows=emptied["PurgeCaptures"], files=emptied["PurgeFiles"], events=emptied["PurgeEvents"])

    async def _is_clock_right(self) -> bool:
        """Look at the clock before it is counted by, and note that it was right."""
        now, trusted = self._now(), await ask(self._store, self._store.purge_clock)
        self.notice = clock_doubt(trusted, now)
        if self.notice:
            log.warning("purge.refused", trusted=trusted and trusted.isoformat())
            return False
        if trusted is None or trusted < now:
            await done(self._store, TrustClock(at=now))
        return True

    async def _rest(self) -> None:
        for _ in range(MOST_BUSY_RESTS):
            if not await asyncio.to_thread(self._store.analyzers_with_work):
                break
            await asyncio.sleep(BUSY_REST_S)
        await asyncio.sleep(REST_S)
