"""Strips of one analyzer that were judged and are being committed, while the next ones are judged already."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable
from typing import Any

from bridge.bench.ahead import Ahead
from bridge.model import Needs, Neighbour, SeriesState

Left = tuple[SeriesState | None, Neighbour | None]  # what a judged strip leaves behind for the next one
MOST = 16  # ours: strips of one analyzer that share a commit; what a failed one takes with it is judged again


class Underway:
    """Keeps the order: pieces of work are submitted as they came, and what comes is behind ``newest``."""

    def __init__(self) -> None:
        self.ahead = Ahead()
        self.newest = 0
        self._recordings: deque[asyncio.Future[Any]] = deque()

    @property
    def is_empty(self) -> bool:
        """Say whether everything that was submitted is committed."""
        return not self._recordings

    def meets(self, needs: Needs) -> bool:
        """Say whether a strip with these needs has to do with one that is not committed yet."""
        return self.ahead.meets(needs)

    async def add(self, intake_id: int, needs: Needs, left: Left, recording: Awaitable[Any]) -> None:
        """Take a strip that is being recorded, and let others have their turn. Raises what the oldest one raises, once there are many."""
        self.newest = intake_id
        self.ahead.add(needs, *left)
        self._recordings.append(asyncio.ensure_future(recording))
        await asyncio.sleep(0)
        if len(self._recordings) >= MOST:
            await self._oldest()  # which yields to nobody where that one is over

    async def committed(self) -> None:
        """Wait until everything is committed; what comes next is asked for anew. Raises what the first one raises that fails."""
        while self._recordings:
            await self._oldest()
        self.newest = 0

    def let_go(self) -> None:
        """Wait for nothing any more: what was submitted is done all the same."""
        for recording in self._recordings:
            recording.cancel()

    async def abandoned(self) -> None:
        """Wait for what is left after a failure; whatever it raises, its piece of work stands in the store and comes again."""
        recordings, self._recordings = list(self._recordings), deque()
        await asyncio.gather(*recordings, return_exceptions=True)

    async def _oldest(self) -> None:
        await self._recordings[0]
        self._recordings.popleft()
        self.ahead.committed()
