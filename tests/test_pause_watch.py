"""Pauses that the store keeps reach the queues of every process: a real store, two watches."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.pause_watch import PauseWatch
from bridge.store.sqlite import SqliteStore
from tests.queue.stock import until
from tests.store.strips import NOW, WAIT
from tests.store.today_contract import PAUSE, RESUME


class Queue:
    """Notes what it is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def pause(self, words: str, /) -> None:
        """Note the words."""
        self.told.append(words)

    def resume(self) -> None:
        """Note that it goes on."""
        self.told.append("go")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path / "store", now=lambda: NOW)
    yield made
    made.close()


def test_a_pause_is_told_once_and_only_to_its_queue(store: SqliteStore) -> None:
    """Also to a process that starts later; the end is told to both."""
    records, chart, again = Queue(), Queue(), Queue()
    first = PauseWatch(store, {"records": records, "chart": chart})
    asyncio.run(first.look())
    assert (records.told, chart.told) == ([], [])
    store.submit(PAUSE).result(WAIT)
    for _ in range(2):
        asyncio.run(first.look())
    second = PauseWatch(store, {"records": again})
    asyncio.run(second.look())
    assert records.told == again.told == ["Paused by Bo: their update, until 11"]
    store.submit(RESUME).result(WAIT)
    for watch in (first, second):
        asyncio.run(watch.look())
    assert records.told == again.told == ["Paused by Bo: their update, until 11", "go"]
    assert chart.told == []


def test_news_is_looked_at_at_once(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for the next round; without news the round comes by itself."""
    queue = Queue()
    watch = PauseWatch(store, {"records": queue})

    async def whole() -> None:
        running = asyncio.create_task(watch.run())
        await asyncio.to_thread(store.submit(PAUSE).result, WAIT)
        watch.wake()
        await until(lambda: len(queue.told) == 1)
        monkeypatch.setattr("bridge.pause_watch.LOOK_S", 0.01)
        watch.wake()
        await asyncio.to_thread(store.submit(RESUME).result, WAIT)
        await until(lambda: queue.told[1:] == ["go"])
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    asyncio.run(whole())


def test_a_store_that_does_not_answer_resumes_nothing(store: SqliteStore) -> None:
    """The queue stays as it was told last."""
    queue = Queue()
    watch = PauseWatch(store, {"records": queue})
    store.submit(PAUSE).result(WAIT)
    asyncio.run(watch.look())
    store.close()
    with pytest.raises(sqlite3.ProgrammingError):
        asyncio.run(watch.look())
    assert queue.told == ["Paused by Bo: their update, until 11"]
