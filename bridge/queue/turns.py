"""Who may have the receiver next: of many begun tries a few at a time, the urgent first, the oldest first among equals."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from bridge.lifecycle.fairness import ROUTINE_TURN

_Waiter = tuple[int, "asyncio.Future[None]"]


class Turns:
    """Lets ``most`` in at once. A turn that comes free goes to the oldest urgent one that waits then, each eighth to a routine one."""

    def __init__(self, most: int) -> None:
        self._free = most
        self._given = 0
        self._urgent: list[_Waiter] = []
        self._routine: list[_Waiter] = []

    @asynccontextmanager
    async def turn(self, age: int, *, is_urgent: bool) -> AsyncIterator[None]:
        """Wait for a turn and hold it for the block. The lower ``age`` is the older; two waiters never have the same."""
        await self._take(self._urgent if is_urgent else self._routine, age)
        try:
            yield
        finally:
            self._give()

    async def _take(self, queue: list[_Waiter], age: int) -> None:
        if self._free:
            self._free -= 1
            return
        mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(queue, (age, mine))
        try:
            await mine
        except asyncio.CancelledError:
            if mine.done() and not mine.cancelled():  # it was given to us just when we were cancelled
                self._give()
            raise

    def _give(self) -> None:
        self._given += 1
        queues = (self._routine, self._urgent) if self._given % ROUTINE_TURN == 0 else (self._urgent, self._routine)
        for queue in queues:
            while queue:
                _, next_one = heapq.heappop(queue)
                if not next_one.done():
                    next_one.set_result(None)
                    return
        self._free += 1
