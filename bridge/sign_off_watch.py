"""Keeps each live destination shut until a named person has signed the tables that its messages are coded with."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

import structlog

from bridge.errors import SettingsError
from bridge.plan_book import PlanBook, open_or_shut
from bridge.queue.lanes import DestinationQueue
from bridge.sign_off import read_signatures
from bridge.store.api import Store
from bridge.tables.signatures import Signature, unsigned_reason

log = structlog.get_logger()

LOOK_S = 2.0  # ours: who has just signed sees the receiver open while still looking; one look at a file's date costs nothing
Stamp = tuple[int, int, int] | None  # inode, size and time of change: another file has another
NEVER: Stamp = (0, 0, 0)  # no file has it


class SignOffWatch:
    """Looks at the signatures again and again, and shuts or opens the live destinations by them.

    A signature that is taken out of the file shuts its destinations again, and so does a file that cannot be read.
    """

    def __init__(self, path: Path, digest: str, book: PlanBook, store: Store, queues: Mapping[str, DestinationQueue]) -> None:
        """Take the parts. ``digest`` is the table set in use, ``queues`` are those of live destinations."""
        self._path = path
        self._digest = digest
        self._book = book
        self._store = store
        self._queues = queues
        self._stamp: Stamp = NEVER
        self._signatures: tuple[Signature, ...] = ()
        self._fault = ""

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        if self._queues:
            await asyncio.to_thread(self._read)
        for destination, queue in self._queues.items():
            reason = self._fault or unsigned_reason(self._signatures, self._digest, self._store.waiting_tables(destination))
            if reason == self._book.forbidden(destination, by="signatures"):
                continue
            self._book.forbid(destination, reason, by="signatures")
            open_or_shut(self._book, destination, queue)
            if reason:
                log.error("destination.shut", destination=destination, tables=self._digest, fault=reason)
            else:
                log.info("destination.signed", destination=destination, tables=self._digest)

    def _read(self) -> None:
        """Read the file if it is another than at the last look."""
        try:
            found = self._path.stat()
            stamp: Stamp = (found.st_ino, found.st_size, found.st_mtime_ns)
        except FileNotFoundError:
            stamp = None
        except OSError as error:
            self._fault, self._stamp = f"The signatures cannot be read: {error.strerror}. Tell your administrator.", NEVER
            return
        if stamp != self._stamp:
            try:
                self._signatures, self._fault = read_signatures(self._path), ""
            except SettingsError as error:
                self._fault = f"The signatures cannot be read, and this receiver is live. Tell your administrator: {error}"
            self._stamp = stamp
