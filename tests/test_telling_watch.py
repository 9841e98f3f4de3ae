"""What nobody was told of in time is passed on, once a turn, on a real store."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import Future
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from bridge.model import SERVICE
from bridge.store.api import Store
from bridge.store.commands import Command, SayOfTelling
from bridge.store.sqlite import SqliteStore
from bridge.tables.telling_terms import TellingTerms, ToTell
from bridge.telling_watch import LOOK_S, TellingWatch
from tests.store import strips as s
from tests.store.strips import NOW, later
from tests.store.telling_contract import ONCE, READ_BACK, say, steps_of

TERMS = TellingTerms(overdue_minutes=20, people=(ToTell(name="Ward 3", role="nurse"), ToTell(name="Dr Ruiz", role="doctor")))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a store with two critical strips, of which somebody was told of the second."""
    opened = SqliteStore(tmp_path / "data", now=lambda: NOW)
    for number in ("7", "8"):
        s.record(opened, s.reading(number), s.held(s.reading(number)), tell=ONCE)
    say(opened, opened.tellings_open()[1], READ_BACK)
    yield opened
    opened.close()


def look(store: Store, at: datetime) -> None:
    asyncio.run(TellingWatch(store, TERMS, lambda: at).look())


def test_it_is_passed_on_along_the_list(store: SqliteStore) -> None:
    """HZ-I01: not a minute too early, once a turn, by Padpost's own name; what was told stays as it is."""
    for minutes, turns in ((19.9, 0), (20, 1), (21, 1), (39.9, 1), (40, 2), (600, 2)):
        look(store, later(minutes))
        first, second = store.tellings_open()
        assert first.task.turn == turns, minutes
        assert steps_of(second) == ["opened", "told and read back"]
    assert steps_of(first) == ["opened", "passed on", "passed on"]
    assert {each.actor for each in first.history} == {SERVICE.name}


def test_who_writes_at_that_moment_is_quicker(store: SqliteStore) -> None:
    """The watch saw an open task; the person's word is what counts, and the next look sees it."""

    class Late:
        """The real store, in which somebody is told just before the watch writes."""

        is_shared = False

        def submit(self, command: Command) -> Future[Any]:
            assert isinstance(command, SayOfTelling)
            say(store, store.tellings_open()[0], READ_BACK)
            return store.submit(command)

        def __getattr__(self, name: str) -> Any:
            return getattr(store, name)

    look(cast("Store", Late()), later(20))
    assert steps_of(store.tellings_open()[0]) == ["opened", "told and read back"]


def test_it_looks_often_enough() -> None:
    """A minute is the shortest time that a site can set."""
    assert timedelta(seconds=LOOK_S) < timedelta(minutes=1) / 2
