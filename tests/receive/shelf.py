"""A fake of the store's side of the ways in: keeps in memory, can be full, and can be waited on."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

from bridge.errors import StoreFull
from bridge.model import Capture
from bridge.store.commands import NoteRefusedFile

PATIENCE_S = 20.0  # bound of every wait in these tests; never waited out when all is well
MOMENT = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)


def now() -> datetime:
    return MOMENT


class Shelf:
    """Keeps captures as the store does: one an origin, durable when the call returns. ``is_full`` refuses everything."""

    def __init__(self) -> None:
        self.captures: list[Capture] = []
        self.refused: list[NoteRefusedFile] = []
        self.is_full = False
        self.tries = 0
        self.gate = asyncio.Event()  # a commit waits here
        self.gate.set()
        self._origins: dict[str, int] = {}
        self._news = asyncio.Condition()

    async def keep(self, capture: Capture, *more: Capture, origin: str = "") -> int:
        """Keep ``capture``, and ``more`` behind it."""
        self.tries += 1
        await self._announce()
        await self.gate.wait()
        if self.is_full:
            raise StoreFull("no room")
        if origin and origin in self._origins:
            return self._origins[origin]
        self.captures += (capture, *more)
        if origin:
            self._origins[origin] = len(self.captures)
        await self._announce()
        return len(self.captures)

    async def note_refused(self, refused: NoteRefusedFile) -> int:
        """Note ``refused``."""
        if self.is_full:
            raise StoreFull("no room")
        self.refused.append(refused)
        await self._announce()
        return len(self.refused)

    async def _announce(self) -> None:
        async with self._news:
            self._news.notify_all()

    async def holds(self, count: int) -> list[Capture]:
        """Wait until ``count`` captures are kept; give them all."""
        async with asyncio.timeout(PATIENCE_S), self._news:
            await self._news.wait_for(lambda: len(self.captures) >= count)
        return self.captures

    async def was_tried(self, count: int) -> None:
        """Wait until something was to be kept ``count`` times."""
        async with asyncio.timeout(PATIENCE_S), self._news:
            await self._news.wait_for(lambda: self.tries >= count)

    async def holds_refused(self, count: int) -> list[NoteRefusedFile]:
        """Wait until ``count`` refused files are noted; give them all."""
        async with asyncio.timeout(PATIENCE_S), self._news:
            await self._news.wait_for(lambda: len(self.refused) >= count)
        return self.refused
