"""The loops: keep what arrives, judge it, deliver it, and watch that the loops live.

Nothing is decided here: the pipeline judges, the renderers write, the store keeps, the
queues deliver. This room only says what follows what, and wakes who is next.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from typing import Protocol

import structlog

from bridge.errors import StoreError
from bridge.judging import Judging
from bridge.lifecycle.sharing import Role, every
from bridge.model import (
    Capture,
)
from bridge.queue.leases import FREE, Grip, Leases
from bridge.store import rows
from bridge.store.api import Store
from bridge.store.apply_container import NEWS as CONTAINERS
from bridge.store.apply_registered import NEWS as REGISTERED
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import KeepCapture, KeepRun

log = structlog.get_logger()

EVERYTHING = ""  # the name of news that may be anywhere
FIRST_REST = timedelta(seconds=1)  # ours: a loop that fell over rests this long, doubling to LONGEST_REST
LONGEST_REST_OF_STORE = timedelta(seconds=2)  # ours: a disk with room again, or a server that is back, is used at once
LONGEST_REST = timedelta(seconds=30)  # ours: as above


class Runs(Protocol):
    """A loop that runs until it is cancelled: a source, a destination's queue, or a look at a file."""

    async def run(self) -> None:
        """Run until cancelled."""


class Queue(Runs, Protocol):
    """A destination's queue."""

    def wake(self) -> None:
        """Look again at once."""


@dataclass(kw_only=True)
class LoopState:
    """How one loop is doing, for /health/ready and the log. ``falls`` counts the defects that stopped it."""

    name: str
    fault: str = ""
    falls: int = 0


class Service:
    """Everything that runs side by side, woken by what was committed, here or in another process on the same store."""

    def __init__(  # noqa: PLR0913 - the parts of a service, all given by the composition root
        self,
        *,
        store: Store,
        judging: Judging,
        sources: Mapping[str, Runs],
        queues: Mapping[str, Queue],
        leases: Leases,
        once: Sequence[Callable[[], Awaitable[None]]] = (),
        require_room: Callable[[], None] = lambda: None,
        watches: Mapping[str, Runs] | None = None,
        leased_sources: frozenset[str] = frozenset(),
        hears: Mapping[str, Callable[[], None]] | None = None,
    ) -> None:
        """Take the parts; ``once`` are things to do beside the loops at start (plan checks), ``watches`` what looks at files of the site.

        ``require_room`` raises StoreFull where no strip is to be taken in. ``leased_sources`` names the sources that one process alone
        may run, wherever it is. ``hears`` is called on the event loop, by the name of the news.
        """
        self._store = store
        self._judging = judging
        self._sources = sources
        self._queues = queues
        self._leases = leases
        self._once = once
        self._require_room = require_room
        self._watches = watches or {}
        self._leased_sources = leased_sources
        self._hears = hears or {}
        self._work: dict[str, asyncio.Event] = {}
        self._tasks: asyncio.TaskGroup | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.loops: dict[str, LoopState] = {}
        leases.on_found(self._look_at)

    @property
    def fault(self) -> str:
        """Say what is wrong, or nothing: the store first, then the first loop that is down."""
        if self._store.fault:
            return self._store.fault
        if self._store.away:
            return self._store.away
        return next((f"{state.name}: {state.fault}" for state in self.loops.values() if state.fault), "")

    async def run(self) -> None:
        """Run everything until cancelled. What a crash left unjudged or unsent is taken up first."""
        self._loop = asyncio.get_running_loop()
        self._store.listen(self._hear)
        try:
            async with asyncio.TaskGroup() as tasks:
                self._tasks = tasks
                self._start("leases", self._leases.run)
                if Role.INTAKE in self._leases.roles:
                    self._start_intake()
                if Role.DELIVERY in self._leases.roles:
                    for name, queue in self._queues.items():
                        held = partial(self._leases.grip(f"destination:{name}").hold, queue.run)
                        tasks.create_task(self._forever(f"destination {name}", held))
                for name, watch in self._watches.items():
                    tasks.create_task(self._forever(name, watch.run))
                for task in self._once:
                    tasks.create_task(self._forever("start-up check", task, again=False))
                await self._for_ever()
        finally:
            self._leases.leave()

    async def _for_ever(self) -> None:
        """Wait until cancelled: with nothing connected yet, or nothing going on any more, the service still answers for itself."""
        try:
            await asyncio.Event().wait()
        finally:
            self._tasks = None  # news that comes from here on begins nothing

    def _start(self, name: str, run: Callable[[], Awaitable[None]], *, again: bool = True) -> None:
        if self._tasks is not None:
            self._tasks.create_task(self._forever(name, run, again=again))

    def _start_intake(self) -> None:
        self._leases.wish(every("analyzer"))
        self._look_at(EVERYTHING)
        for name, source in self._sources.items():
            run = source.run
            if name in self._leased_sources:
                run = partial(self._leases.grip(f"source:{name}").hold, source.run)
            self._start(f"source {name}", run)

    async def keep(self, capture: Capture, *more: Capture, analyzer: str, profile: str, origin: str = "") -> int:
        """Keep a capture; the id comes back once it is durable. ``more`` came behind it over the same line: all are kept, or none.

        Raises StoreError if it is not: StoreFull before the disk is full, LeaseLost if its source is another process's.
        """
        self._require_room()
        grip = self._leases.grip(f"source:{capture.source}") if capture.source in self._leased_sources else FREE
        captures, ids = (capture, *more), []
        if more:
            run = KeepRun(captures=captures, analyzer=analyzer, profile=profile, lease=grip.fence())
            ids += await done(self._store, run)
        else:
            command = KeepCapture(capture=capture, analyzer=analyzer, profile=profile, origin=origin, lease=grip.fence())
            ids.append(await done(self._store, command))
        for capture_id, kept in zip(ids, captures, strict=True):
            log.info("capture.kept", capture=capture_id, source=kept.source, bytes=len(kept.payload), torn=kept.torn)
            if not origin:  # a file that was kept before a crash has its first arrival in the store
                self._judging.hand_over(rows.CaptureRow(capture_id=capture_id, analyzer=analyzer, profile=profile, capture=kept))
        self._wake_judging(analyzer)
        return int(ids[0])

    def wake(self) -> None:
        """Look everywhere again; may be called from any thread (after a person's action)."""
        self._hear(EVERYTHING)

    # --- who has news

    def _hear(self, name: str) -> None:
        """Look where there is news, of this process or another; called from any thread."""
        if name in {EVERYTHING, CONTAINERS}:
            self._judging.shelf.forget()
        if name in {EVERYTHING, REGISTERED}:
            self._judging.registered.forget()
        if self._loop and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._look_at, name)

    def _look_at(self, name: str) -> None:
        for news, hear in self._hears.items():
            if name in {EVERYTHING, news}:
                hear()
        kind, _, rest = name.partition(":")
        if kind == "analyzer":
            self._wake_judging(rest)
        elif kind == "destination" and rest in self._queues:
            self._queues[rest].wake()
        elif name == EVERYTHING:
            self._wake_queues()
            if Role.INTAKE in self._leases.roles:
                self._start("intake", self._look_at_all_intake, again=False)

    async def _look_at_all_intake(self) -> None:
        for analyzer in await ask(self._store, self._store.analyzers_with_work):
            self._wake_judging(analyzer)

    def _wake_queues(self) -> None:
        for queue in self._queues.values():
            queue.wake()

    def _wake_judging(self, analyzer: str) -> None:
        if self._tasks is None or Role.INTAKE not in self._leases.roles:
            return  # looked at when it runs; whoever has that role hears of it by the store
        if analyzer not in self._work:
            self._work[analyzer] = asyncio.Event()
            grip = self._leases.grip(f"analyzer:{analyzer}")
            self._start(f"analyzer {analyzer}", partial(grip.hold, partial(self._judge_for_ever, analyzer, grip)))
        self._work[analyzer].set()

    async def _judge_for_ever(self, analyzer: str, grip: Grip) -> None:
        work = self._work[analyzer]
        work.set()
        while True:
            await work.wait()
            work.clear()
            await self._judging.work_off(analyzer, grip)

    async def _forever(self, name: str, run: Callable[[], Awaitable[None]], *, again: bool = True) -> None:
        """Run a loop; if it falls over, log the traceback, rest, and run it again. A failed store is never tried again."""
        state = self.loops.setdefault(name, LoopState(name=name))
        rest = FIRST_REST
        while True:
            started, longest = time.monotonic(), LONGEST_REST
            try:
                await run()
            except StoreError as error:
                longest = LONGEST_REST_OF_STORE
                state.fault = str(error)
                log.critical("loop.store", loop=name, fault=self._store.fault or str(error))
                if self._store.fault:
                    return
            except Exception:  # the one broad catch of the loops: a defect in one must not take down its neighbours
                state.fault = "a defect stopped it; it is started again. Tell your coordinator: the log says where it failed."
                state.falls += 1
                log.exception("loop.fell", loop=name)
            else:
                state.fault = ""
            if not again and longest is LONGEST_REST:
                return
            if time.monotonic() - started > LONGEST_REST.total_seconds():
                rest = FIRST_REST  # it ran well for a while: this is a new fault
            await asyncio.sleep(min(rest, longest).total_seconds())
            state.fault = ""
            rest = min(rest * 2, LONGEST_REST)
