"""Bytes that have come in and were not taken yet, with a bound."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

FULL = 1_000_000  # ours: seconds of the fastest serial line; above it the reading side is asked to pause


class Inbox:
    """Holds what came in. ``pause`` is called when it is full, ``resume`` when it was emptied again."""

    def __init__(self, *, pause: Callable[[], None], resume: Callable[[], None]) -> None:
        self._pause = pause
        self._resume = resume
        self._bytes = bytearray()
        self._has_ended = False
        self._is_paused = False
        self._news = asyncio.Event()

    def put(self, some: bytes) -> None:
        """Take bytes in."""
        self._bytes += some
        self._news.set()
        if len(self._bytes) >= FULL and not self._is_paused:
            self._is_paused = True
            self._pause()

    def end(self) -> None:
        """Say that nothing more will come."""
        self._has_ended = True
        self._news.set()

    async def read(self) -> bytes:
        """Wait for bytes and give all there are; b"" once the end is reached. Loses nothing when cancelled."""
        while not self._bytes and not self._has_ended:
            self._news.clear()
            await self._news.wait()
        return self.read_now()

    def read_now(self) -> bytes:
        """Give what is there already, which may be nothing."""
        some = bytes(self._bytes)
        self._bytes.clear()
        if self._is_paused:
            self._is_paused = False
            self._resume()
        return some
