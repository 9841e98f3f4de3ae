"""The course of a day from real tables."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.bench.timeline import Move
from bridge.lifecycle.states import DestinationState
from bridge.store.commands import SetDestination
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=lambda: s.later(60))
    yield opened
    opened.close()


def test_strips_of_the_day_by_the_minute(store: SqliteStore) -> None:
    """Stopped ones are counted among them; another day's are not."""
    s.post(store, "1")
    s.record(store, s.reading("2"), s.held(s.reading("2")))
    zone = ZoneInfo("Europe/Lisbon")
    assert store.arrivals(s.NOW.date(), zone) == ((s.NOW, 2, 1),)
    assert store.arrivals(s.later(24 * 60).date(), zone) == ()


def test_whether_any_strip_came(store: SqliteStore) -> None:
    """From a moment, that one included, until before another."""
    s.post(store, "1")
    assert store.came_between(s.NOW, s.later(1))
    assert not store.came_between(s.later(1), s.later(60))
    assert not store.came_between(s.later(-60), s.NOW)


def test_doors_moves_are_told_in_order(store: SqliteStore) -> None:
    """From the events, since a moment; the first state of a receiver is no outage that ends."""
    for minute, name, state in (
        (0, "records", DestinationState.OPEN),
        (5, "records", DestinationState.CLOSED),
        (6, "chart", DestinationState.PAUSED),
        (9, "records", DestinationState.OPEN),
    ):
        store.submit(SetDestination(name=name, state=state, reason="r", at=s.later(minute))).result(s.WAIT)
    moves = (
        Move(destination="records", at=s.NOW, took=True, takes=True),
        Move(destination="records", at=s.later(5), took=True, takes=False),
        Move(destination="chart", at=s.later(6), took=True, takes=False),
        Move(destination="records", at=s.later(9), took=False, takes=True),
    )
    assert store.door_moves(since=s.NOW) == moves
    assert store.door_moves(since=s.later(6)) == moves[2:]
