"""What this process alone works on just now: leases held by a heartbeat, and what runs only while one is held."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import structlog

from bridge.errors import LeaseLost, StoreError, StoreFailed
from bridge.lifecycle.sharing import Role
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import HeldLeases, HoldLeases, Lease, LeaveLeases

log = structlog.get_logger()

BEAT_S = 1.0  # ours: a lease survives two lost heartbeats
LENGTH_S = 4.0  # ours: work of a dead process goes on within five seconds
LOOK_S = 0.25  # ours: between two looks whether a lease is over; a loop's own timers stand still while the machine sleeps
MARGIN_S = 0.5  # ours: what was allowed a moment ago may still be on its way into a socket


class Grip(Protocol):
    """What someone who works on a name asks before each step."""

    def fence(self) -> Lease | None:
        """Give the lease to act under, None where none is needed. Raises LeaseLost where it is not held."""

    def stand_back(self, steps: int) -> None:
        """Leave the name to a process that stands back by fewer steps, where there is one; 0: it is served well here."""


class Free:
    """The grip on what nobody else can work on."""

    def fence(self) -> Lease | None:
        """Give none."""
        return None

    def stand_back(self, steps: int) -> None:
        """Stay: nobody else could."""


FREE = Free()


@dataclass(frozen=True, kw_only=True, slots=True)
class Process:
    """Who we are among the processes of a store. ``owner`` is new at each start; ``host`` and ``pid`` are for people."""

    owner: str
    host: str
    pid: int
    roles: frozenset[Role]


class NamedGrip:
    """One name's lease as this process has it, and what runs while it is held."""

    def __init__(self, name: str, leases: Leases) -> None:
        self.name = name
        self._leases = leases
        self._held = asyncio.Event()
        self._over = asyncio.Event()
        self._lease: Lease | None = None
        self.is_at_work = False
        self.is_leaving = False

    def fence(self) -> Lease:
        """Give the lease to act under. Raises LeaseLost where it is not held, or not for certain."""
        if self._lease is None or self._leases.are_over():
            raise LeaseLost(f"{self.name} is not held by this process.")
        return self._lease

    def stand_back(self, steps: int) -> None:
        """Go on, but let a process have it that stands back by fewer steps."""
        self._leases.stand_back(self.name, steps)

    async def hold(self, work: Callable[[], Awaitable[None]]) -> None:
        """Do ``work`` whenever the lease is held, anew each time; it is cancelled where the lease is to be given back or is lost.

        Raises what ``work`` raises, but for LeaseLost.
        """
        while True:
            await self._held.wait()
            self._over.clear()
            self.is_at_work = True
            try:
                await self._until_over(work)
            except LeaseLost:
                log.warning("lease.lost", name=self.name)
                self.lose()
            finally:
                self.is_at_work = False
                if self.is_leaving:
                    self._leases.wound_up(self)

    async def _until_over(self, work: Callable[[], Awaitable[None]]) -> None:
        working = asyncio.ensure_future(work())
        over = asyncio.ensure_future(self._over.wait())
        try:
            await asyncio.wait({working, over}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            over.cancel()
            working.cancel()
            await _ended(working)
        if not working.cancelled():
            working.result()

    # --- told by Leases

    def take(self, lease: Lease) -> None:
        """Hold it from now on; a newer token ends what ran under an older one."""
        if self._lease == lease:
            return
        if self._lease is not None:
            self._over.set()
        self._lease = lease
        self._held.set()

    def leave(self) -> None:
        """Wind up, to give it back: what has begun may still be marked."""
        self.is_leaving = True
        self._held.clear()
        self._over.set()
        if not self.is_at_work:
            self._leases.wound_up(self)

    def lose(self) -> None:
        """Hold it no more."""
        self._lease = None
        self.is_leaving = False
        self._held.clear()
        self._over.set()


class Alone:
    """A loop that runs in one process at a time, whichever holds ``grip``."""

    def __init__(self, grip: NamedGrip, run: Callable[[], Awaitable[None]]) -> None:
        """Take the grip and the loop."""
        self._grip = grip
        self._run = run

    async def run(self) -> None:
        """Run whenever the lease is held, until cancelled."""
        await self._grip.hold(self._run)


async def _ended(working: asyncio.Future[None]) -> None:
    """Wait until a cancelled piece of work has wound up; who is cancelled meanwhile is so once it has, and not never."""
    told: asyncio.CancelledError | None = None
    while not working.done():
        try:
            await asyncio.wait({working})
        except asyncio.CancelledError as again:
            told = again
    if not working.cancelled():
        working.exception()  # looked at here, in case nobody asks for it any more
    if told is not None:
        raise told


class Leases:
    """Beats for this process, and tells each name's grip where it stands."""

    def __init__(self, store: Store, process: Process, *, now: Callable[[], datetime], elapsed: Callable[[], float]) -> None:
        """``elapsed`` gives seconds that never jump and go on while the machine sleeps."""
        self._store = store
        self._process = process
        self._now = now
        self._elapsed = elapsed
        self._length_s = LENGTH_S if store.is_shared else None
        self._ends_at: float | None = None
        self._wishes: set[str] = set()
        self._wound_up: set[str] = set()
        self._steps_back: dict[str, int] = {}
        self._passing: tuple[frozenset[str], Future[Any]] | None = None
        self._grips: dict[str, NamedGrip] = {}
        self._woken = asyncio.Event()
        self._alarm: asyncio.TimerHandle | None = None
        self._found: Callable[[str], None] = lambda _: None

    @property
    def roles(self) -> frozenset[Role]:
        """Give what this process does."""
        return self._process.roles

    def are_over(self) -> bool:
        """Say whether the leases that were held may be another's by now, heartbeats having failed or the process having stood still."""
        return self._ends_at is not None and self._elapsed() >= self._ends_at

    def grip(self, name: str) -> NamedGrip:
        """Wish for ``name``, and give the grip on it."""
        if name not in self._grips:
            self._grips[name] = NamedGrip(name, self)
        self.wish(name)
        return self._grips[name]

    def wish(self, name: str) -> None:
        """Wish for a name, or for every name of a kind."""
        if name not in self._wishes:
            self._wishes.add(name)
            self._woken.set()

    def stand_back(self, name: str, steps: int) -> None:
        """Stand back from a name by ``steps``, of which the other processes hear at once."""
        if self._steps_back.get(name, 0) == steps:
            return
        self._steps_back[name] = steps
        if self._length_s is not None:
            log.info("lease.stands_back", name=name, steps=steps)
            self._woken.set()

    def on_found(self, found: Callable[[str], None]) -> None:
        """Call ``found`` with each name that was taken and that nobody here asked for by name."""
        self._found = found

    def wound_up(self, grip: NamedGrip) -> None:
        """Give a lease back: nothing of this process works on it any more."""
        self._wound_up.add(grip.name)
        grip.lose()
        self._woken.set()

    async def run(self) -> None:
        """Beat until cancelled. Raises StoreError if the store fails for good."""
        while True:
            self._woken.clear()
            await self._sleep(await self._beat())

    def leave(self) -> None:
        """Give everything back, once nothing that needs it runs any more: others need not wait for it to run out."""
        self._lose_all()
        self._store.submit(LeaveLeases(owner=self._process.owner))

    async def _beat(self) -> float | None:
        """Beat once; give the seconds to the next beat, None where only news asks for one."""
        started = self._elapsed()
        self._pass_back()
        try:
            told: HeldLeases = await done(self._store, self._holding(frozenset()))
        except StoreError as error:
            if self._store.fault:
                raise StoreFailed(self._store.fault) from error
            log.warning("lease.beat_failed", fault=str(error))
            return BEAT_S
        self._note(told, started)
        if self._length_s is None:
            return None
        return BEAT_S if told.next_end_s is None else min(BEAT_S, max(told.next_end_s, 0.001))

    def _holding(self, wound_up: frozenset[str]) -> HoldLeases:
        return HoldLeases(
            owner=self._process.owner,
            roles=frozenset(self._process.roles),
            host=self._process.host,
            pid=self._process.pid,
            wishes=frozenset(self._wishes),
            wound_up=wound_up,
            length_s=self._length_s,
            at=self._now(),
            steps_back=dict(self._steps_back),
        )

    def _pass_back(self) -> None:
        """Give back what is wound up, behind all that was submitted under it, while heartbeats go on before the rest."""
        if self._passing is not None and self._passing[1].done():
            names, passed = self._passing
            self._passing = None
            if passed.exception() is None:
                self._wound_up -= names
        if self._wound_up and self._passing is None:
            names = frozenset(self._wound_up)
            self._passing = names, self._store.submit(self._holding(names))
            loop = asyncio.get_running_loop()
            self._passing[1].add_done_callback(lambda _: loop.is_closed() or loop.call_soon_threadsafe(self._woken.set))

    def _note(self, told: HeldLeases, started: float) -> None:
        if self._length_s is not None:
            self._ends_at = started + self._length_s - MARGIN_S
            self._set_alarm(self._ends_at - self._elapsed())
        held = {lease.name: lease for lease in told.held}
        for name, grip in self._grips.items():
            if name not in held and name not in self._wound_up:
                grip.lose()
        for name, lease in held.items():
            if name in self._wound_up:
                continue  # given back with the next beat
            if name not in self._grips:
                self._grips[name] = NamedGrip(name, self)
                self._found(name)
            self._tell(self._grips[name], lease, is_surplus=name in told.give_back)

    def _tell(self, grip: NamedGrip, lease: Lease, *, is_surplus: bool) -> None:
        if grip.is_leaving:
            return
        grip.take(lease)
        if is_surplus:
            log.info("lease.leaving", name=grip.name)
            grip.leave()

    def _set_alarm(self, wait_s: float) -> None:
        if self._alarm is not None:
            self._alarm.cancel()
        self._alarm = asyncio.get_running_loop().call_later(min(max(wait_s, 0), LOOK_S), self._look_at_the_end)

    def _look_at_the_end(self) -> None:
        if self.are_over():
            log.warning("lease.ran_out")
            self._lose_all()
        elif self._ends_at is not None:
            self._set_alarm(self._ends_at - self._elapsed())

    def _lose_all(self) -> None:
        if self._alarm is not None:
            self._alarm.cancel()
            self._alarm = None
        for grip in self._grips.values():
            grip.lose()

    async def _sleep(self, wait_s: float | None) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._woken.wait()
