"""Strips of one analyzer that were judged and are being committed, while the next ones are judged already."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Coroutine
from typing import Any

from bridge.bench.ahead import Ahead
from bridge.model import Needs, SeriesState

MOST = 16  # ours: strips of one analyzer that share a commit; what a failed one takes with it is judged again


class Underway:
    """Keeps the order: pieces of work are submitted as they came, and what comes is behind ``newest``."""

    def __init__(self) -> None:
        self.ahead = Ahead()
        self.newest = 0
        self._tasks: deque[asyncio.Task[None]] = deque()

    @property
    def is_empty(self) -> bool:
        """Say whether everything that was submitted is committed."""
        return not self._tasks

    def meets(self, needs: Needs) -> bool:
        """Say whether a strip with these needs has to do with one that is not committed yet."""
        return self.ahead.meets(needs)

    async def add(self, intake_id: int, needs: Needs, left: SeriesState | None, recording: Coroutine[Any, Any, None]) -> None:
        """Begin ``recording`` a strip, and let others have their turn. Raises what the oldest one raises, once there are many."""
        self.newest = intake_id
        self.ahead.add(needs, left)
        self._tasks.append(asyncio.create_task(recording))
        await asyncio.sleep(0)  # the task submits its command now, in its order
        if len(self._tasks) >= MOST:
            await self._oldest()  # which yields to nobody where that one is over

    async def committed(self) -> None:
        """Wait until everything is committed; what comes next is asked for anew. Raises what the first one raises that fails."""
        while self._tasks:
            await self._oldest()
        self.newest = 0

    def let_go(self) -> None:
        """Wait for nothing any more: what was submitted is done all the same."""
        for task in self._tasks:
            task.cancel()

    async def abandoned(self) -> None:
        """Wait for what is left after a failure; whatever it raises, its piece of work stands in the store and comes again."""
        tasks, self._tasks = list(self._tasks), deque()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _oldest(self) -> None:
        await self._tasks[0]
        self._tasks.popleft()
        self.ahead.committed()
