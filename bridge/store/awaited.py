"""Waiting for the store in an event loop: a group of commands that was committed together wakes the loop once, and not once each."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any
from weakref import WeakKeyDictionary, ref

from bridge.store.api import Store
from bridge.store.commands import Command

_Told = Callable[["Future[Any]"], Any]
_Finished = tuple["asyncio.Future[Any]", "Future[Any]", _Told | None]


async def done(store: Store, command: Command) -> Any:
    """Submit ``command`` and give its result once it is durable; raises what it is refused with.

    What was submitted is done: being cancelled while waiting takes nothing back.
    """
    return await submitted(store, command)


def submitted(store: Store, command: Command, *, told: _Told | None = None) -> asyncio.Future[Any]:
    """Submit ``command`` at once, and give what is waited for.

    ``told`` hears of the finished command in the event loop, before who waits does, and where nobody waits any more as well. Who waits gets
    what ``told`` gives or raises.
    """
    loop = asyncio.get_running_loop()
    awaited: asyncio.Future[Any] = loop.create_future()
    mailbox = _MAILBOXES.get(loop)
    if mailbox is None:
        mailbox = _MAILBOXES[loop] = _Mailbox(loop)
    store.submit(command).add_done_callback(lambda future: mailbox.put((awaited, future, told)))
    return awaited


class _Mailbox:
    """What the store's thread has finished and one loop has not seen yet."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = ref(loop)  # a loop that is over is let go, and its mailbox with it
        self._finished: deque[_Finished] = deque()
        self._is_called = False

    def put(self, finished: _Finished) -> None:
        """Leave a result, from any thread; the loop is woken unless that is under way."""
        loop = self._loop()
        if loop is None or loop.is_closed():
            self._finished.clear()
            return
        self._finished.append(finished)
        if not self._is_called:
            self._is_called = True
            loop.call_soon_threadsafe(self._empty)

    def _empty(self) -> None:
        self._is_called = False  # first: what is left from now on wakes the loop again
        while self._finished:
            awaited, future, told = self._finished.popleft()
            try:
                given = future.result() if told is None else told(future)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is for who waits
                if not awaited.done():
                    awaited.set_exception(error)
            else:
                if not awaited.done():  # else cancelled
                    awaited.set_result(given)


_MAILBOXES: WeakKeyDictionary[asyncio.AbstractEventLoop, _Mailbox] = WeakKeyDictionary()
