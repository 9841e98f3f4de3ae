"""The purge goes through the whole store in small steps, oldest first, and gives way to strips that wait."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge.model import Answer
from bridge.purge import AT_ONCE, LONGEST_STANDSTILL, Marks, PurgeWatch, clock_doubt, steps
from bridge.settings import Keep
from bridge.store.commands import PurgeCaptures, PurgeEvents, PurgeFiles, TrustClock
from bridge.store.rows import Old
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later

EVERYTHING = Keep(captures_days=31, results_days=60, events_days=90)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a store of forty-five delivered strips and one that is held, all of NOW."""
    opened = SqliteStore(tmp_path / "data", now=lambda: NOW)
    for number in range(45):
        recorded = s.post(opened, f"R{number}", lane=str(number))
        s.attempt(opened, recorded.delivery_ids[0], Answer.ACCEPTED)
    of = s.reading("held")
    s.record(opened, of, s.held(of))
    yield opened
    opened.close()


def test_a_site_that_says_nothing_keeps_everything(store: SqliteStore) -> None:
    """Not one step, however old."""
    assert list(steps(store, Keep(), now=NOW + timedelta(days=36_500))) == []


@pytest.mark.parametrize(
    ("days", "kinds"),
    [
        (30, []),
        (32, [False] * 3),
        (61, [False] * 3 + [True] * 3),
    ],
)
def test_each_kind_is_due_after_its_own_days(store: SqliteStore, days: int, kinds: list[bool]) -> None:
    """Counted from the arrival; in steps that a strip which comes meanwhile does not feel."""
    due = list(steps(store, EVERYTHING, now=NOW + timedelta(days=days)))
    captures = [step for step in due if isinstance(step, PurgeCaptures)]
    assert [step.results for step in captures] == kinds
    assert all(len(step.capture_ids) <= AT_ONCE for step in captures)
    assert [step for step in due if isinstance(step, PurgeFiles)] == [PurgeFiles(before=NOW + timedelta(days=days - 31))]
    assert not [step for step in due if isinstance(step, PurgeEvents)]


async def _sweep(store: SqliteStore, *, days: int) -> None:
    store.submit(TrustClock(at=NOW + timedelta(days=days))).result(s.WAIT)
    await PurgeWatch(store, EVERYTHING, lambda: NOW + timedelta(days=days)).sweep()


def test_a_sweep_leaves_only_what_is_open_and_the_next_finds_nothing(store: SqliteStore) -> None:
    """All forty-five in one sweep; the held strip is as it was."""
    asyncio.run(_sweep(store, days=91))
    assert [strip.purged_at is None for strip in store.strips(limit=100)] == [True] + [False] * 45
    assert store.capture(46).capture.payload == s.reading("held").record_digest.encode()
    left = store._db().execute("SELECT DISTINCT subject FROM history ORDER BY subject").fetchall()
    assert left == [("capture:46",), ("stop:1",), ("store",), ("strip:46",)]  # "store": that a purge was here
    again = list(steps(store, EVERYTHING, now=NOW + timedelta(days=92)))
    assert [type(step) for step in again] == [PurgeFiles]


def test_strips_that_wait_go_first(store: SqliteStore) -> None:
    """While an analyzer has strips to be judged the purge rests; it goes on once they are."""

    async def scene() -> None:
        s.keep(store, b"waits", arrived_at=later(1))
        sweep = asyncio.create_task(_sweep(store, days=91))
        seen: list[bool] = []
        while not seen or len(seen) < 3:
            await asyncio.sleep(0.05)
            seen.append(store.capture(1).purged_at is None)
        assert all(seen)
        of = s.reading("waits")
        await asyncio.to_thread(s.record, store, of, s.held(of), capture_id=47)
        await asyncio.wait_for(sweep, 30)

    asyncio.run(scene())
    assert store.capture(1).purged_at is not None
    assert store.capture(47).purged_at is None


def test_a_clock_that_ran_ahead_purges_nothing(store: SqliteStore) -> None:
    """A year ahead: the pages say so; the strips that come under that clock do not make it right; a person does."""
    ahead = NOW + timedelta(days=365)
    watch = PurgeWatch(store, EVERYTHING, lambda: ahead)
    asyncio.run(watch.sweep())
    assert watch.notice == clock_doubt(NOW, ahead) != ""
    assert store.capture(1).purged_at is None

    day_by_day = PurgeWatch(store, EVERYTHING, lambda: NOW + timedelta(days=1))
    asyncio.run(day_by_day.sweep())
    assert (day_by_day.notice, store.purge_clock()) == ("", NOW + timedelta(days=1))
    s.keep(store, b"late", arrived_at=ahead)  # its event is of the wrong clock
    asyncio.run(watch.sweep())
    assert (watch.notice, store.capture(1).purged_at) == (clock_doubt(NOW + timedelta(days=1), ahead), None)

    store.submit(TrustClock(at=ahead)).result(s.WAIT)
    capture = store.next_intake("brook-1")
    assert capture is not None
    of = s.reading("late")
    s.record(store, of, s.held(of), capture_id=47)
    asyncio.run(watch.sweep())
    assert (watch.notice, store.capture(1).purged_at) == ("", ahead)


@pytest.mark.parametrize(
    ("days", "is_doubted"), [(-400, False), (0, False), (LONGEST_STANDSTILL.days, False), (LONGEST_STANDSTILL.days + 1, True)]
)
def test_a_fortnights_rest_is_no_reason_to_doubt(days: int, is_doubted: bool) -> None:
    """A clock that was set back only purges later; a store in which nothing happened has nothing to lose."""
    assert bool(clock_doubt(NOW, NOW + timedelta(days=days))) is is_doubted
    assert clock_doubt(None, NOW + timedelta(days=days)) == ""


def test_the_next_sweep_goes_on_where_the_last_one_ended(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was looked at and is old is not looked at again, apart from its last stretch; a strip that became old since is found."""
    monkeypatch.setattr("bridge.purge.LOOKED_AT", 10)
    looked: list[int] = []

    class Looking:
        def old_captures(self, **asked: Any) -> Old:
            looked.append(asked["after"])
            return store.old_captures(**asked)

        def old_events(self, **asked: Any) -> Old:
            return store.old_events(**asked)

    keep, marks = Keep(captures_days=31), Marks()
    first = [
        step for step in steps(Looking(), keep, now=NOW + timedelta(days=32), marks=marks) if isinstance(step, PurgeCaptures)
    ]
    assert sorted(number for step in first for number in step.capture_ids) == list(range(1, 46))
    assert (looked, marks) == ([0, 10, 20, 30, 40, 46], {"captures": 40})
    looked.clear()
    for step in first:
        store.submit(step).result(s.WAIT)
    s.attempt(store, s.post(store, "later", lane="later").delivery_ids[0], Answer.ACCEPTED)
    again = [
        step for step in steps(Looking(), keep, now=NOW + timedelta(days=32), marks=marks) if isinstance(step, PurgeCaptures)
    ]
    assert ([step.capture_ids for step in again], looked) == ([(47,)], [40, 47])
