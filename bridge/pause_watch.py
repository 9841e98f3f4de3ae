"""Lets the queues stand still where a person paused their receiver, in every process on the store, from the first moment on."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Protocol

import structlog

from bridge.lifecycle.pauses import words
from bridge.store.api import Store
from bridge.store.asking import ask

log = structlog.get_logger()

LOOK_S = 5.0  # ours: news of a pause comes at once; this is for news that was lost with a connection


class Pausable(Protocol):
    """A destination's queue."""

    def pause(self, words: str, /) -> None:
        """Send nothing."""

    def resume(self) -> None:
        """Send again."""


class PauseWatch:
    """Holds the queues to the store's pauses. A look that fails leaves each queue as it stands."""

    def __init__(self, store: Store, queues: Mapping[str, Pausable]) -> None:
        self._store = store
        self._queues = queues
        self._known: dict[str, str] = {}  # by destination: the words of its pause
        self._woken = asyncio.Event()

    def wake(self) -> None:
        """Look at once: somebody paused or resumed something, perhaps."""
        self._woken.set()

    async def run(self) -> None:
        """Look until cancelled. Raises StoreError where the store does not answer."""
        while True:
            self._woken.clear()
            await self.look()
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._woken.wait()
            except TimeoutError:
                continue

    async def look(self) -> None:
        """Look once. Raises StoreError where the store does not answer."""
        found = {pause.destination: words(pause) for pause in await ask(self._store, self._store.pauses)}
        for name, queue in self._queues.items():
            said = found.get(name, "")
            if said == self._known.get(name, ""):
                continue
            self._known[name] = said
            if said:
                queue.pause(said)
                log.warning("destination.paused", destination=name)
            else:
                queue.resume()
                log.info("destination.resumed", destination=name)
