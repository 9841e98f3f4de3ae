"""Who may have the receiver next: of many begun tries a few at a time, the most urgent first, the oldest first among equals."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

Rank = tuple[int, int]  # 0 before 1 (STAT before routine), then the delivery's id: its age


class Turns:
    """Lets ``most`` in at once. A turn that comes free goes to the lowest rank that waits then, whoever waited longest."""

    def __init__(self, most: int) -> None:
        self._free = most
        self._waiting: list[tuple[Rank, asyncio.Future[None]]] = []

    @asynccontextmanager
    async def turn(self, rank: Rank) -> AsyncIterator[None]:
        """Wait for a turn and hold it for the block. Two waiters never have the same rank."""
        await self._take(rank)
        try:
            yield
        finally:
            self._give()

    async def _take(self, rank: Rank) -> None:
        if self._free:
            self._free -= 1
            return
        mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (rank, mine))
        try:
            await mine
        except asyncio.CancelledError:
            if mine.done() and not mine.cancelled():  # it was given to us just when we were cancelled
                self._give()
            raise

    def _give(self) -> None:
        while self._waiting:
            _, next_one = heapq.heappop(self._waiting)
            if not next_one.done():
                next_one.set_result(None)
                return
        self._free += 1
