"""An event loop hears of everything that the store's thread finished, once for a group, and never of what nobody waits for any more."""

from __future__ import annotations

import asyncio
import gc
import threading
import weakref
from collections.abc import Iterator
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Any, cast

import pytest

from bridge import clock
from bridge.errors import StoreFailed
from bridge.store.api import Store
from bridge.store.awaited import done, submitted
from bridge.store.commands import Command, ReserveNumbers
from bridge.store.sqlite import SqliteStore


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a real store."""
    made = SqliteStore(tmp_path / "store", now=clock.now)
    yield made
    made.close()


class Slow:
    """A store whose commands finish when the test says so, on another thread."""

    def __init__(self) -> None:
        self.futures: list[Future[Any]] = []

    def submit(self, command: Command) -> Future[Any]:
        """Keep the future."""
        del command
        self.futures.append(Future())
        return self.futures[-1]

    def finish(self, *values: Any) -> None:
        """Finish the oldest commands, on a thread of its own; an exception is what a command is refused with."""

        def finish() -> None:
            for value in values:
                future = self.futures.pop(0)
                future.set_exception(value) if isinstance(value, Exception) else future.set_result(value)

        thread = threading.Thread(target=finish)
        thread.start()
        thread.join()


ONE = ReserveNumbers(count=1)


def test_every_waiter_gets_its_own_result(store: SqliteStore) -> None:
    """Two hundred at once against the real store: each number is given once."""

    async def whole() -> list[int]:
        return list(await asyncio.gather(*[done(store, ONE) for _ in range(200)]))

    assert sorted(asyncio.run(whole())) == list(range(1, 201))


def test_a_group_wakes_the_loop_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wake-up is a system call on the writing thread: a group of fifty costs one, not fifty."""

    async def whole() -> int:
        slow, loop, wakes = Slow(), asyncio.get_running_loop(), 0
        real = loop.call_soon_threadsafe

        def counted(*given: Any, **more: Any) -> Any:
            nonlocal wakes
            wakes += 1
            return real(*given, **more)

        monkeypatch.setattr(loop, "call_soon_threadsafe", counted)
        waiting = [asyncio.create_task(done(cast("Store", slow), ONE)) for _ in range(50)]
        await asyncio.sleep(0)
        slow.finish(*range(50))
        assert await asyncio.gather(*waiting) == list(range(50))
        slow_again = asyncio.create_task(done(cast("Store", slow), ONE))
        await asyncio.sleep(0)
        slow.finish("later")
        assert await slow_again == "later"
        return wakes

    assert asyncio.run(whole()) == 2


def test_a_refusal_is_raised_where_it_is_awaited() -> None:
    """Each waiter gets its own: one that is refused spoils no other's."""

    async def whole() -> None:
        slow = Slow()
        waiting = [asyncio.create_task(done(cast("Store", slow), ONE)) for _ in range(3)]
        await asyncio.sleep(0)
        slow.finish(1, StoreFailed("no"), 3)
        assert await waiting[0] == 1
        with pytest.raises(StoreFailed, match="no"):
            await waiting[1]
        assert await waiting[2] == 3

    asyncio.run(whole())


def test_a_waiter_that_was_cancelled_is_passed_over() -> None:
    """Its command is done all the same; the others hear of theirs."""

    async def whole() -> None:
        slow = Slow()
        gone, stays = (asyncio.create_task(done(cast("Store", slow), ONE)) for _ in range(2))
        await asyncio.sleep(0)
        gone.cancel()
        await asyncio.gather(gone, return_exceptions=True)
        slow.finish(1, 2)
        assert await stays == 2

    asyncio.run(whole())


def test_who_is_to_be_told_hears_of_it_before_who_waits_and_where_nobody_does() -> None:
    """A place that was given away for a command comes back whether or not somebody still waits for that command."""

    async def whole() -> list[str]:
        slow, heard = Slow(), list[str]()

        def tell(name: str, future: Future[Any]) -> str:
            heard.append(f"{name} told {future.result()}")
            return str(future.result())

        async def waits(name: str) -> None:
            told = partial(tell, name)
            value = await submitted(cast("Store", slow), ONE, told=told)
            heard.append(f"{name} has {value}")

        gone, stays = asyncio.create_task(waits("gone")), asyncio.create_task(waits("stays"))
        await asyncio.sleep(0)
        gone.cancel()
        await asyncio.gather(gone, return_exceptions=True)
        slow.finish(1, 2)
        await stays
        return heard

    assert asyncio.run(whole()) == ["gone told 1", "stays told 2", "stays has 2"]


def test_a_closed_store_refuses_at_once(store: SqliteStore) -> None:
    """What is refused before it is queued raises as well."""
    store.close()

    async def whole() -> None:
        with pytest.raises(StoreFailed, match="closed"):
            await done(store, ONE)

    asyncio.run(whole())


def test_a_loop_that_is_over_is_told_nothing_and_let_go() -> None:
    """A command that finishes behind the end of its loop finds nobody, and holds nothing in memory."""
    slow = Slow()

    async def whole() -> weakref.ref[asyncio.AbstractEventLoop]:
        task = asyncio.create_task(done(cast("Store", slow), ONE))
        await asyncio.sleep(0)
        task.cancel()
        return weakref.ref(asyncio.get_running_loop())

    loop = asyncio.run(whole())
    slow.finish(1)
    gc.collect()
    assert loop() is None
