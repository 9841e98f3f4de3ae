"""The walk of each night: when it is due, what it finds in a real store beside its writer, and that it ends when it is asked to."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from bridge.history_watch import AT_ONCE, LONGEST, STARTED_FOR, HistoryWatch, is_due
from bridge.store.database import Db, SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store.chained import morning
from tests.store.strips import NOW, WAIT, later

LISBON = ZoneInfo("Europe/Lisbon")  # UTC in winter, an hour ahead in summer
NIGHT = datetime(2026, 11, 26, 3, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


@pytest.mark.parametrize(
    ("now", "last", "due"),
    [
        (NIGHT, None, True),
        (NIGHT - SECOND, NIGHT - timedelta(days=1), False),
        (NIGHT, NIGHT - timedelta(days=1), True),
        (NIGHT + timedelta(minutes=9), NIGHT + timedelta(minutes=8), False),
        (NIGHT + timedelta(hours=2), NIGHT - timedelta(days=1), False),  # the night is over, and yesterday's was had
        (NIGHT + timedelta(hours=9), NIGHT + timedelta(hours=9) - LONGEST, True),  # off at night: by day
        (NIGHT + timedelta(hours=9), None, True),
        (datetime(2026, 7, 1, 2, 30, tzinfo=UTC), datetime(2026, 6, 30, 2, 30, tzinfo=UTC), True),  # half past three by the site's clock
    ],
)  # fmt: skip
def test_it_is_due_once_a_night(now: datetime, last: datetime | None, due: bool) -> None:
    assert is_due(now, last, started=now - timedelta(days=3), zone=LISBON) is due


def test_by_day_it_waits_until_the_morning_is_caught_up_with() -> None:
    """A machine that was just switched on has other things to do; at night it need not wait."""
    noon = NIGHT + timedelta(hours=9)
    assert not is_due(noon, None, started=noon - STARTED_FOR + SECOND, zone=LISBON)
    assert is_due(noon, None, started=noon - STARTED_FOR, zone=LISBON)
    assert is_due(NIGHT, None, started=NIGHT, zone=LISBON)


@contextmanager
def reading(folder: Path) -> Iterator[Db]:
    with closing(sqlite3.connect(f"file:{folder / FILE}?mode=ro", uri=True, isolation_level=None, factory=SqliteDb)) as db:
        db.execute("BEGIN")
        yield db


def watch_over(store: SqliteStore, folder: Path) -> HistoryWatch:
    return HistoryWatch(store, lambda: reading(folder), zone=LISBON, now=lambda: NIGHT, look_s=0.01)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a store with a morning in it; strips go on coming while it is open."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    morning(store)
    yield store
    store.close()


def test_a_whole_history_is_said_to_be_so_once(store: SqliteStore, tmp_path: Path) -> None:
    """The loop looks at the clock again and again, and walks once in a night."""

    async def night() -> None:
        running = asyncio.create_task(watch_over(store, tmp_path).run())
        while store.verified() is None:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.05)
        running.cancel()
        await asyncio.wait({running})

    with capture_logs() as logged:
        asyncio.run(asyncio.wait_for(night(), WAIT))
    found = store.verified()
    assert found is not None
    assert (found.at, found.broken) == (NIGHT, "")
    assert found.events > 10
    assert [line["event"] for line in logged].count("audit.verified") == 1


def test_a_changed_history_is_found_beside_the_running_service(store: SqliteStore, tmp_path: Path) -> None:
    """HZ-J02: somebody changed an event behind Padpost's back; where it is stands in the store, and the log counts and quotes nothing."""
    with closing(sqlite3.connect(tmp_path / FILE, isolation_level=None)) as other:
        other.execute("DROP TRIGGER events_no_update")
        other.execute("UPDATE events SET reason = 'mended' WHERE reason LIKE 'spilt%'")
    with capture_logs() as logged:
        asyncio.run(watch_over(store, tmp_path).verify())
    found = store.verified()
    assert found is not None
    assert "not as it was written" in found.broken
    assert [line["event"] for line in logged] == ["audit.broken"]
    assert "mended" not in str(logged)


def test_who_is_cancelled_ends_the_walk_first(store: SqliteStore, tmp_path: Path) -> None:
    """No session is left behind, and nothing is said of a walk that was not finished."""
    for day in range(2, 2 + AT_ONCE // 10):
        morning(store, day)  # so many events that the walk rests
    opened: list[str] = []

    @contextmanager
    def slow() -> Iterator[Db]:
        with reading(tmp_path) as db:
            opened.append("open")
            yield db
        opened.append("closed")

    async def night() -> None:
        watch = HistoryWatch(store, slow, zone=LISBON, now=lambda: NIGHT)
        walking = asyncio.create_task(watch.verify())
        while not opened:
            await asyncio.sleep(0)
        walking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await walking

    asyncio.run(asyncio.wait_for(night(), WAIT))
    assert opened[0] == "open"
    assert store.verified() is None
    assert store.strips(limit=1)[0].judged_at <= later(0)
