"""Where a read of the loops runs."""

from __future__ import annotations

import asyncio
import threading

import pytest

from bridge.store.asking import ask


class _Near:
    is_shared = False

    def thread(self, *, plus: int) -> tuple[int, int]:
        return threading.get_ident(), 1 + plus


class _Far(_Near):
    is_shared = True


@pytest.mark.parametrize("store", [_Near(), _Far()])
def test_a_read_runs_in_the_loop_only_where_the_store_is_near(store: _Near) -> None:
    """Microseconds from a file; from a server it may be as long as a cut network takes to be noticed, and the pages must go on."""
    ident, value = asyncio.run(ask(store, store.thread, plus=2))
    assert value == 3
    assert (ident == threading.get_ident()) is not store.is_shared


def test_the_loop_goes_on_while_a_far_read_hangs() -> None:
    """What else the loop has to do is done before the answer comes."""
    store, answered = _Far(), threading.Event()

    async def live() -> str:
        asking = asyncio.create_task(ask(store, answered.wait, 20.0))
        asyncio.get_running_loop().call_soon(answered.set)
        return "answered" if await asking else "hung"

    assert asyncio.run(live()) == "answered"
