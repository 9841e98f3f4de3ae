"""Tells open pages that something came, or that a row turned (taken, given back, ended): one look at the store for all of them, however many there are (server-sent events).

WHATWG HTML, section 9.2: the format of the stream. What it tells are row numbers and a mark alone, so no page learns of a patient by it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

from bridge.errors import StoreError
from bridge.pages.forms import LONGEST_ID
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.rows import News, Turns

MOST_STREAMS = 128  # ours: half of the connections that the pages' server takes; who comes later asks every second instead
LOOK_S = 0.2  # ours: what came is on an open page within a second, with the way there and back
ALIVE_S = 15.0  # ours: something goes over a silent stream well before the usual proxy gives it up (most wait 60 s)
LONGEST_S = (
    60.0  # ours: a stream ends by itself and the browser comes back, so that a session that is over hears nothing after a minute
)
AGAIN_MS = 3_000  # ours: a browser whose stream ended comes back after that, so that a restart meets no crowd
# ours: of two writers of one database the later event may be there first; what one commit holds is fewer
OVERLAP = 256
AT_ONCE = b"retry: 100\n\n"  # where it is only asked anew who listens, nothing is missed for long
AWAY = b"event: away\ndata:\n\n"


class Newsroom:
    """Looks while anybody listens. On the event loop alone."""

    def __init__(self, store: Store, *, longest_s: float = LONGEST_S) -> None:
        self._store = store
        self._longest_s = longest_s
        self._listeners: dict[asyncio.Event, str] = {}
        self._looking: asyncio.Task[None] | None = None
        self._latest = b""
        self._turn = 0
        self._is_over = False

    @property
    def has_room(self) -> bool:
        """Say whether another one may listen."""
        return not self._is_over and len(self._listeners) < MOST_STREAMS

    @property
    def listeners(self) -> int:
        """Count who listens."""
        return len(self._listeners)

    def close(self) -> None:
        """End every stream, as the server does before it waits for its answers to end."""
        self._is_over = True
        self._rest()
        self._wake()

    def end(self, of: str) -> None:
        """End the streams of a sign-in that is locked: who comes back is asked who they are."""
        for woken in [each for each, whose in self._listeners.items() if of and whose == of]:
            del self._listeners[woken]
            woken.set()
        if not self._listeners:
            self._rest()

    async def stream(self, of: str = "") -> AsyncIterator[bytes]:
        """Give the events for one page: where things stand, and then each time that something came, until it is asked anew who listens.

        ``of``: the line of the sign-in that listens, by which ``end`` finds it.
        """
        woken = asyncio.Event()
        until = asyncio.get_running_loop().time() + self._longest_s
        self._listeners[woken] = of
        try:
            if self._looking is None and not self._is_over:
                self._looking = asyncio.create_task(self._look())
            yield f"retry: {AGAIN_MS}\n\n".encode() + self._latest
            while woken in self._listeners and not self._is_over and asyncio.get_running_loop().time() < until:
                yield await self._next(woken, until)
            if not self._is_over:
                yield AT_ONCE
        finally:
            self._listeners.pop(woken, None)
            if not self._listeners:
                self._rest()

    async def _next(self, woken: asyncio.Event, until: float) -> bytes:
        try:
            async with asyncio.timeout_at(min(asyncio.get_running_loop().time() + ALIVE_S, until)):
                await woken.wait()
        except TimeoutError:
            return b": nothing came\n\n"
        woken.clear()
        return b"" if self._is_over or woken not in self._listeners else self._latest

    async def _look(self) -> None:
        seen = News(stops=0, strips=0, last_stop=0, last_strip=0, standing="")
        turned: Turns | None = None
        while True:
            try:
                seen = await ask(self._store, self._store.news, after_stop=seen.last_stop, after_strip=seen.last_strip)
                turned = await self._turned(turned)
                what = {"stop": seen.last_stop, "strip": seen.last_strip, "standing": seen.standing, "turn": self._turn}
                told = f"event: news\ndata: {json.dumps(what)}\n\n".encode()
            except StoreError:
                told = AWAY
            if told != self._latest:
                self._latest = told
                self._wake()
            await asyncio.sleep(LOOK_S)

    async def _turned(self, before: Turns | None) -> Turns:
        """Count on where a row became somebody's, nobody's or ended since the last look."""
        if before is None:
            before = await ask(self._store, self._store.stop_turns, after=LONGEST_ID)
            return await ask(self._store, self._store.stop_turns, after=before.last_event - OVERLAP)
        found = await ask(self._store, self._store.stop_turns, after=before.last_event - OVERLAP)
        if set(found.events) - set(before.events):
            self._turn += 1
        return found

    def _wake(self) -> None:
        for woken in self._listeners:
            woken.set()

    def _rest(self) -> None:
        if self._looking is not None:
            self._looking.cancel()
            self._looking = None
        self._latest = b""
