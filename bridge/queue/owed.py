"""Ends of tries that are still to be noted: what the store had no room for is owed, and paid before the next look."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

from bridge.errors import LeaseLost, StoreError
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import EndAttempt


class Owed:
    """What one destination owes the store; else the lanes of these tries would stand until a restart."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._ends: list[EndAttempt] = []
        self._noting: set[asyncio.Task[None]] = set()

    def add(self, end: EndAttempt) -> None:
        """Owe the end of a try."""
        self._ends.append(end)

    async def pay(self) -> None:
        """Note what is owed, the oldest first. Raises StoreError where there is still no room: the rest stays owed."""
        while self._ends:
            with suppress(LeaseLost):  # the destination was another's meanwhile, which has made the message due again
                await done(self._store, self._ends[0])
            del self._ends[0]

    def note(self, end: EndAttempt, *, then: Callable[[], None]) -> None:
        """Note an end that nobody waits for, or owe it; ``then`` is called after either."""
        noting = asyncio.create_task(self._note(end, then))
        self._noting.add(noting)
        noting.add_done_callback(self._noting.discard)

    async def _note(self, end: EndAttempt, then: Callable[[], None]) -> None:
        try:
            await done(self._store, end)
        except LeaseLost:
            return  # whoever has the destination now makes it due again
        except StoreError:
            self.add(end)
        then()
