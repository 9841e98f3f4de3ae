"""Watches what each destination needs to be reached: secrets, certificates and keys; and what FHIR servers say they can do."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import datetime, timedelta

import structlog

from bridge.credentials.destination import faults, warnings
from bridge.plan_book import PlanBook, open_or_shut
from bridge.queue.lanes import DestinationQueue
from bridge.settings import DestinationShape

log = structlog.get_logger()

LOOK_S = 10.0  # ours: who has just put a file in place sees the receiver open while still looking; it costs a few small files
ASK_AGAIN = timedelta(hours=24)  # ours: a server is updated now and then
ASK_LATER = timedelta(minutes=10)  # ours: a server that gives no answer is delivered to all the same


class SetupWatch:
    """Shuts a destination whose secret, certificate or key cannot be used, from the start on, and opens it once it can.

    What spoils later shuts nothing, for what is in memory may go on for long; it is noted, and the receiver's door closes if it matters.
    ``notes`` gives by destination that, and what will soon run out.
    """

    def __init__(
        self,
        destinations: Sequence[DestinationShape],
        book: PlanBook,
        queues: Mapping[str, DestinationQueue],
        *,
        now: Callable[[], datetime],
    ) -> None:
        self._destinations = destinations
        self._book = book
        self._queues = queues
        self._now = now
        self._usable: set[str] = set()
        self.notes: dict[str, tuple[str, ...]] = {}

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        for destination in self._destinations:
            fault, notes = await asyncio.to_thread(self._found, destination)
            name = destination.name
            if not fault:
                self._usable.add(name)
            elif name in self._usable:
                notes = (f"after a restart it could not be reached any more: {fault}", *notes)
            self._note(name, notes)
            reason = f"It cannot be reached as configured: {fault}" if fault and name not in self._usable else ""
            if reason != self._book.forbidden(name, by="setup"):
                self._tell(name, reason)

    def _tell(self, name: str, reason: str) -> None:
        self._book.forbid(name, reason, by="setup")
        open_or_shut(self._book, name, self._queues[name])
        if reason:
            log.error("destination.shut", destination=name, fault=reason)
        else:
            log.info("destination.set_up", destination=name)

    def _found(self, destination: DestinationShape) -> tuple[str, tuple[str, ...]]:
        now = self._now()
        fault = next(faults(destination, now=now), None)
        return (str(fault) if fault else ""), tuple(warnings(destination, now=now))

    def _note(self, name: str, notes: tuple[str, ...]) -> None:
        for note in set(notes) - set(self.notes.get(name, ())):
            log.warning("destination.note", destination=name, note=note)
        self.notes[name] = notes


class CapabilityWatch:
    """Asks FHIR servers what they can do, at the start and once a day. It stops nothing and delays nothing.

    ``notes`` gives by destination what a server does not promise.
    """

    def __init__(
        self, askers: Mapping[str, Callable[[], Awaitable[tuple[str, ...] | None]]], *, now: Callable[[], datetime]
    ) -> None:
        """``askers`` give the differences in words, None where there was no answer."""
        self._askers = askers
        self._now = now
        self._due = {name: now() for name in askers}
        self.notes: dict[str, tuple[str, ...]] = {}

    async def run(self) -> None:
        """Ask until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Ask those that are due, side by side: one that is slow holds up no other."""
        await asyncio.gather(*(self._ask(name) for name, due in self._due.items() if due <= self._now()))

    async def _ask(self, name: str) -> None:
        found = await self._askers[name]()
        if found is None:
            self._due[name] = self._now() + ASK_LATER
            return
        self._due[name] = self._now() + ASK_AGAIN
        self.notes[name] = tuple(f"its capability statement: {words}" for words in found)
        if found:
            log.warning("destination.capability", destination=name, differences=len(found))
