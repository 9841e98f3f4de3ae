"""Several connections to one receiver that takes them: one message in flight on each."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Protocol

from bridge.deliver.late import LateAnswers
from bridge.model import Acknowledgement, Message


class OneAtATime(Protocol):
    """A client with one connection."""

    late: LateAnswers | None

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; give what came of it."""

    async def close(self) -> None:
        """End the connection."""


class Pool:
    """Sends each message on a connection that is free; waits for one where none is.

    The connection that was used last is used first: those that are not needed are not opened, and close at the receiver's wish.
    Messages of one patient keep their order, since the queue has only one of them in flight, whichever connection it is on.
    """

    def __init__(self, clients: Sequence[OneAtATime]) -> None:
        self._clients = tuple(clients)
        self._free: asyncio.LifoQueue[OneAtATime] = asyncio.LifoQueue()
        for client in reversed(self._clients):
            self._free.put_nowait(client)

    def hear(self, late: LateAnswers) -> None:
        """Give late answers, on whichever connection they come, to ``late``; before anything is sent."""
        for client in self._clients:
            client.late = late

    async def send(self, message: Message) -> Acknowledgement:
        """Send on a free connection; give what came of it."""
        client = await self._free.get()
        try:
            return await client.send(message)
        finally:
            self._free.put_nowait(client)

    async def close(self) -> None:
        """End every connection."""
        for client in self._clients:
            await client.close()
