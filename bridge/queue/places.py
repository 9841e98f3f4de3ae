"""How many messages of a destination have begun and are not sent yet: a bound on what a crash leaves in doubt, and on what is begun ahead."""

from __future__ import annotations

import asyncio


class Places:
    """``most`` places for what waits for its turn. Who takes one gives it back once the message was sent, or is not to be."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._free = asyncio.Event()
        self.clear()

    def clear(self) -> None:
        """Free every place: nothing that held one goes on."""
        self.taken = 0
        self._free.set()

    def left(self) -> int:
        """Give how many are free; below zero where more were taken, which is the taker's business."""
        return self._most - self.taken

    def take(self) -> None:
        """Take one."""
        self.taken += 1
        if self.taken >= self._most:
            self._free.clear()

    def give(self) -> None:
        """Give one back."""
        self.taken -= 1
        if self.taken < self._most:
            self._free.set()

    async def wait(self, *, at_most_s: float) -> None:
        """Wait until one is free, but no longer than that. It is not taken yet: who waits beside may be quicker."""
        try:
            async with asyncio.timeout(at_most_s):
                while self.taken >= self._most:
                    await self._free.wait()
        except TimeoutError:
            return
