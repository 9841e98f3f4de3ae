"""Ends the waits for additions whose time is over: the result goes without, or is held, as the site's policy says."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime

import structlog

from bridge.store.addition_commands import EndAwaiting
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done

log = structlog.get_logger()

LOOK_S = 2.0  # ours: waits are minutes; a look is one step in an index that is mostly empty


class AdditionsWatch:
    """Looks again and again. When a wait is over stands in the store, so a crash or another process changes nothing of it."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._now = now
        self._wake: Callable[[], None] | None = None

    def on_end(self, wake: Callable[[], None]) -> None:
        """Call ``wake`` whenever waits have ended: a store of one process tells nobody what it was told."""
        self._wake = wake

    async def run(self) -> None:
        """Look until cancelled. Raises StoreError where the store does not answer."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        while True:
            due, now = await ask(self._store, self._store.next_awaited_due), self._now()
            if due is None or now < due:
                return
            ended = await done(self._store, EndAwaiting(at=now))
            log.info("additions.over", results=ended)
            if self._wake is not None:
                self._wake()
            if not ended:
                return
