"""Thousands of crashes a minute: the real service, judging, queues and doors on simulated time, store, wires and receivers.

One round: analyzers bring strips, a process judges and sends them, it dies at any await and is started over what was committed,
receivers lose, refuse, repeat and answer late, the clock jumps, a person clears the stops. At last all is calm, and the history
is judged by the same checker as that of the real campaign. A seed gives the same round every time; ``most_faults`` lets only the
first so many faults of it happen, so that a failing round can be cut down.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import structlog

from bridge import settings
from bridge.demo.printers import framed
from bridge.errors import StoreAway, StoreError, StoreFull, StoreUnsure
from bridge.judging import Ids, Judging
from bridge.lifecycle.answers import Silence, no_answer
from bridge.lifecycle.sharing import EVERY_ROLE
from bridge.lifecycle.states import StopEnd, StopGroup
from bridge.model import Acknowledgement, Actor, Answer, Capture, CodedResult, DeliveryState, Format, Message, Way
from bridge.queue.lanes import DestinationQueue, Pace
from bridge.queue.leases import Leases
from bridge.queue.leases import Process as Running
from bridge.service import EVERYTHING, Service
from bridge.site import default_policy, load_tables
from bridge.store.api import Store
from bridge.store.commands import CloseStop, Command
from bridge.store.memory import MemoryStore
from bridge.tables.types import Tables
from tests.faults.history import Arrived, History
from tests.faults.report import put, run_words, simulation_table
from tests.faults.strips import Batch, Inventor
from tests.faults.virtual_loop import VirtualLoop

BEGAN = datetime(2026, 11, 20, 6, tzinfo=UTC)
HL7, CHART = "hl7", "chart"
RECEIVERS = (HL7, CHART)
IN_FLIGHT = {HL7: 1, CHART: 4}
WAYS = {"line": ("brook", "L"), "drops": ("brook-file", "F")}  # source: profile, letter
SERIES = 40  # different runs of strips; making them up costs more than judging them
ANSWER_S = 30.0
LONGEST_STORM = timedelta(hours=2)  # of simulated time; then all is calm
STUCK = timedelta(hours=1)  # of calm: the longest wait between two tries is a quarter of one, a person looks as often
MOST_JUMPS = 3
PERSON = Actor(name="Ida", verified="unverified")
DAY = timedelta(days=1)
PART = 100  # rounds that a process plays before it tells
KEPT = "0 lost, 0 under a second identity, 0 out of order within a patient, 0 marked as delivered and not there, 0 stuck"


@cache
def tables() -> Tables:
    """Give the shipped tables; as in the campaign, no two strips of a patient look like one for being read close together."""
    policy = replace(default_policy(), rerun_window_minutes=0)
    return load_tables(settings.shipped_mappings(), None, policy, zone=ZoneInfo("UTC"))


@cache
def batches(series: int, source: str) -> tuple[Batch, ...]:
    """Give the strips of one run that a source brings."""
    profile, letter = WAYS[source]
    inventor = Inventor(profile=profile, letter=letter, seed=series, began=BEGAN - 20 * DAY)
    return tuple(inventor.batch(number) for number in range(8))


class World:
    """What outlives a process: time, the committed rows, receivers, wires, senders, a person, and the history."""

    def __init__(self, seed: int, most_faults: int | None = None, owners: int | None = None) -> None:
        self.chance = random.Random(seed)
        self.loop = VirtualLoop()
        self.history = History()
        self.faults: Counter[str] = Counter()
        self.moved = asyncio.Event()
        self.is_calm = False
        self.alive: dict[str, Process] = {}
        self._most_faults = most_faults
        self._offset = timedelta()
        self.owners = owners or self.chance.choice((1, 1, 1, 2, 3))  # processes at a time
        self.store = MemoryStore(now=self.now if self.owners == 1 else self._server_now, is_shared=self.owners > 1)
        self.rates = {name: self.chance.choice((0.0, low, high)) for name, (low, high) in RATES.items()}
        self.receivers = {name: Receiver(self, name) for name in RECEIVERS}

    def now(self) -> datetime:
        """Give what the clock on the wall says."""
        return BEGAN + timedelta(seconds=self.loop.time()) + self._offset

    def _server_now(self) -> datetime:
        """Give what the clock of the server says, which nobody sets."""
        return BEGAN + timedelta(seconds=self.loop.time())

    def strikes(self, fault: str) -> bool:
        """Say whether a fault comes now, and count it."""
        comes = self.chance.random() < self.rates[fault]
        if self.is_calm or not comes or (self._most_faults is not None and self.faults.total() >= self._most_faults):
            return False
        self.faults[fault] += 1
        return True

    def jump(self) -> None:
        """Set the clock a day ahead or back, or right again."""
        self._offset = self.chance.choice((DAY, -DAY, timedelta()))

    def restart_store(self) -> None:
        """Open what was committed anew, as the next process of a store of one does; a server that several share goes on."""
        if self.owners == 1:
            self.store = MemoryStore(self.store.committed, now=self.now)

    def tell_others(self, process: Process) -> None:
        """Let the other processes hear that there is news."""
        for other in self.alive.values():
            if other is not process and not other.is_dead:
                self.loop.call_later(self.chance.uniform(0, 0.05), other.handle.heard, EVERYTHING)

    def calm(self) -> None:
        """Let nothing go wrong any more."""
        self.is_calm = True
        self._offset = timedelta()
        for receiver in self.receivers.values():
            receiver.away_until = receiver.closed_until = 0.0

    @property
    def excused(self) -> set[tuple[str, str]]:
        """Give what was refused or given up, and so came before a person: its lane went on without it."""
        state = self.store.committed
        stops = [stop for stop in state.stops.values() if stop.delivery_id is not None]
        return {(stop.destination, state.strips[stop.strip_id].row.specimen_id) for stop in stops if stop.strip_id is not None}

    @property
    def is_through(self) -> bool:
        """Say whether every strip is acknowledged and with each receiver, or before a person who ended it, and nothing waits."""
        history = self.history
        if len(history.acknowledged) < len(history.submitted) or any(each.waiting for each in self.store.destinations()):
            return False
        there = {(a.receiver, a.strip) for a in history.arrived if a.held} | self.excused
        return all((receiver, strip) in there for receiver in RECEIVERS for strip in history.submitted)


# How often each fault strikes where it can: never, seldom or often, as the seed has it for its round.
RATES = {
    "killed": (0.004, 0.02),
    "cut off": (0.002, 0.01),  # from the server that several processes share, for some seconds
    "disk full": (0.005, 0.03),
    "clock jumped": (0.1, 0.6),
    "nobody there": (0.01, 0.05),
    "door closed": (0.01, 0.05),
    "message lost": (0.02, 0.1),
    "answer lost": (0.02, 0.2),
    "message twice": (0.02, 0.2),
    "message late": (0.01, 0.05),
    "later, please": (0.02, 0.2),
    "refused": (0.01, 0.05),
    "edited at the same time": (0.01, 0.05),
}


class Receiver:
    """A record system and the wire to it. What it takes it holds for good."""

    def __init__(self, world: World, name: str) -> None:
        self.name = name
        self.away_until = 0.0
        self.closed_until = 0.0
        self._world = world

    def take(self, message: Message, *, held: bool = True) -> None:
        """Note that a message came."""
        told = json.loads(message.payload)
        self._world.history.arrived.append(
            Arrived(
                receiver=self.name, strip=told["strip"], patient=told["patient"], control_id=message.control_id,
                filler=message.result_id, content=message.payload, held=held,
            )
        )  # fmt: skip
        self._world.moved.set()

    async def answer(self, message: Message) -> Acknowledgement:
        """Give what comes of one try; the message may arrive in spite of a silence."""
        world, loop = self._world, self._world.loop
        if self._is_away():
            return no_answer(Silence.NO_CONNECTION)
        await asyncio.sleep(world.chance.uniform(0.001, 0.05))
        if self._is_closed():
            return Acknowledgement(answer=Answer.CLOSED, code="HTTP 401")
        if world.strikes("message lost"):
            return await self._silence()
        if world.strikes("message late"):
            loop.call_later(world.chance.uniform(1, 90), self.take, message)
            return await self._silence()
        if world.strikes("later, please"):
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 207", retry_after_s=world.chance.choice((None, 5.0, 120.0)))
        if world.strikes("edited at the same time"):
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 409")
        if world.strikes("refused"):
            self.take(message, held=False)
            return Acknowledgement(answer=Answer.REFUSED, code="AE")
        self.take(message)
        if world.strikes("message twice"):
            loop.call_later(world.chance.uniform(0, 60), self.take, message)
        if world.strikes("answer lost"):
            return await self._silence()
        await asyncio.sleep(world.chance.uniform(0.001, 0.05))
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")

    def _is_away(self) -> bool:
        if self._world.strikes("nobody there"):
            self.away_until = self._world.loop.time() + self._world.chance.uniform(1, 120)
        return self._world.loop.time() < self.away_until

    def _is_closed(self) -> bool:
        if self._world.strikes("door closed"):
            self.closed_until = self._world.loop.time() + self._world.chance.uniform(1, 240)
        return self._world.loop.time() < self.closed_until

    async def _silence(self) -> Acknowledgement:
        is_cut = self._world.chance.random() < 0.5
        await asyncio.sleep(self._world.chance.uniform(0.01, 5) if is_cut else ANSWER_S)
        return no_answer(Silence.LOST if is_cut else Silence.TIMEOUT)


class Handle:
    """The store as one process has it: commands are committed in groups a little later, unless the process is dead by then."""

    def __init__(self, process: Process) -> None:
        self._process = process
        self._world = process.world
        self._jobs: list[tuple[Command, Future[Any]]] = []
        self.fault = self.away = self.shortage = ""
        self.is_shared = self._world.store.is_shared
        self.heard: Callable[[str], None] = lambda _: None

    def listen(self, heard: Callable[[str], None]) -> None:
        """Call ``heard`` when another process wrote something."""
        self.heard = heard

    def submit(self, command: Command) -> Future[Any]:
        """Queue a command; the future of a dead process is never heard of again."""
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        if not self._process.is_dead:
            if not self._jobs:
                self._world.loop.call_later(self._world.chance.uniform(0, 0.004), self._commit)
            self._jobs.append((command, future))
        return future

    def _commit(self) -> None:
        jobs, self._jobs = self._jobs, []
        if self.is_shared and self._world.strikes("cut off"):
            self._world.loop.call_later(self._world.chance.uniform(0.5, 15), self._commit_late, jobs)
        else:
            self._commit_now(jobs)

    def _commit_late(self, jobs: list[tuple[Command, Future[Any]]]) -> None:
        """Do what was on its way in a cut: late as it is, or not at all, or without its sender being told which."""
        way = self._world.chance.choice(("late", "not", "unsure"))
        if way == "late":
            self._commit_now(jobs)
            return
        for command, future in jobs:
            if way == "unsure" and self._world.chance.random() < 0.5:
                self._world.store.submit(command)
            fault = StoreUnsure if way == "unsure" else StoreAway
            future.set_exception(fault("The server was out of reach."))

    def _commit_now(self, jobs: list[tuple[Command, Future[Any]]]) -> None:
        if self._process.dies():  # before the commit: nothing of it is there
            return
        if self._world.strikes("disk full"):
            for _, future in jobs:
                future.set_exception(StoreFull("The disk is full; nothing was written."))
            return
        done = [(future, self._world.store.submit(command)) for command, future in jobs]
        if self._process.dies():  # after the commit, before anybody hears of it
            return
        for future, answer in done:
            fault = answer.exception()
            if fault is None:
                future.set_result(answer.result())
            else:
                future.set_exception(fault)
        self._world.tell_others(self._process)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._world.store, name)


@dataclass
class Client:
    """One process's way to a receiver."""

    process: Process
    receiver: Receiver

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; the process may die before, in the middle, and with the answer in its hands."""
        await self.process.may_die()
        answer = await self.receiver.answer(message)
        await self.process.may_die()
        return answer


@dataclass
class Writers:
    """What writes messages: small ones, that say whose they are. For a while after a start it may write none."""

    process: Process
    destinations: Sequence[str] = RECEIVERS
    shut: set[str] = field(default_factory=set)

    def may_write(self, destination: str) -> bool:
        """Say whether the destination's plan is checked."""
        return destination not in self.shut

    def takes(self, destination: str, result: CodedResult) -> bool:
        """Say whether the destination is sent this result."""
        del destination, result
        return True

    def write(self, destination: str, result: CodedResult, *, control_id: str, made_at: datetime) -> Message:
        """Give the message."""
        told = {"strip": result.specimen_id, "patient": result.patient_id, "number": control_id, "made": made_at.isoformat()}
        return Message(
            destination=destination, format=Format.ORU_R01, control_id=control_id, payload=json.dumps(told).encode(),
            result_id=result.result_id, version=result.version, lane=self.lane(result), priority=result.priority,
        )  # fmt: skip

    def lane(self, result: CodedResult) -> str:
        """Give the lane."""
        return result.patient_id


class Process:
    """One run of the service, from a start to its death."""

    def __init__(self, world: World, name: str) -> None:
        self.world = world
        self.is_dead = False
        self.died = asyncio.Event()
        self.handle = Handle(self)
        store = cast("Store", self.handle)
        self._writers = Writers(self, shut=set(RECEIVERS) if world.chance.random() < 0.3 else set())
        ids = Ids(store)
        who = Running(owner=name, host="simulated", pid=1, roles=EVERY_ROLE)
        self._leases = Leases(store, who, now=world.now, elapsed=world.loop.time)
        profiles = {source: profile for source, (profile, _) in WAYS.items()}
        self._queues = {name: self._queue(store, name, ids) for name in RECEIVERS}
        judging = Judging(store, tables(), self._writers, ids, world.now, profiles=profiles, outlets=self._queues)
        for name in self._writers.shut:
            self._queues[name].shut("Its messages are being checked.")
        self.service = Service(
            store=store, judging=judging, sources={}, queues=self._queues, leases=self._leases, once=[self._check_plans]
        )

    def _queue(self, store: Store, name: str, ids: Ids) -> DestinationQueue:
        pace = Pace(
            first=timedelta(seconds=1),
            longest=timedelta(seconds=900),
            give_up=timedelta(hours=24),
            lanes=4 * IN_FLIGHT[name],
            in_flight=IN_FLIGHT[name],
        )
        return DestinationQueue(
            store,
            name,
            Client(self, self.world.receivers[name]),
            pace,
            bear=partial(self._bear, ids, name),
            now=self.world.now,
            jitter=self.world.chance.random,
            grip=self._leases.grip(f"destination:{name}"),
        )

    async def _bear(self, ids: Ids, name: str, result: CodedResult) -> Message:
        return self._writers.write(name, result, control_id=await ids.control(), made_at=self.world.now())

    async def _check_plans(self) -> None:
        await asyncio.sleep(self.world.chance.uniform(0, 3))
        for name in sorted(self._writers.shut):
            self._writers.shut.discard(name)
            self._queues[name].open()

    def dies(self) -> bool:
        """Say whether it is dead, perhaps just now."""
        if not self.is_dead and self.world.strikes("killed"):
            self.die()
        return self.is_dead

    def die(self) -> None:
        """From now on nothing of it reaches store or wire."""
        self.is_dead = True
        self.died.set()

    async def may_die(self) -> None:
        """Die here, or go on: who is dead waits for its burial."""
        if self.dies():
            await asyncio.Event().wait()

    async def run(self) -> None:
        """Serve until it dies. Raises what the service itself falls over."""
        serving = asyncio.create_task(self.service.run())
        dying = asyncio.create_task(self.died.wait())
        try:
            await asyncio.wait({serving, dying}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self.die()
            for task in (serving, dying):
                task.cancel()
            ended, _ = await asyncio.gather(serving, dying, return_exceptions=True)
        if isinstance(ended, Exception):
            raise ended


class Round:
    """One seed's world, played to its end."""

    def __init__(self, seed: int, most_faults: int | None = None, *, owners: int | None = None) -> None:
        self.seed = seed
        self.world = World(seed, most_faults, owners)
        self.found: list[str] = []
        self._feeding = 0
        self._is_over = False
        self._starts = 0

    def play(self) -> list[str]:
        """Play it; give every breach of the promises."""
        loop = self.world.loop
        loop.set_exception_handler(lambda _, context: self.found.append(f"{context['message']}: {context.get('task')}"))
        asyncio.set_event_loop(loop)
        try:
            loop.run_until_complete(self._play())
        finally:
            asyncio.set_event_loop(None)
            loop.close()
        marked = [
            (sent.row.destination, sent.row.control_id)
            for sent in self.world.store.committed.sent.values()
            if sent.row.state is DeliveryState.ACCEPTED
        ]
        return self.found + self.world.history.faults(RECEIVERS, marked=marked, excused=self.world.excused)

    async def _play(self) -> None:
        world, chance = self.world, self.world.chance
        tasks = [asyncio.create_task(self._serve()) for _ in range(world.owners)]
        tasks += [asyncio.create_task(self._person()), asyncio.create_task(self._clock())]
        series = chance.randrange(SERIES)
        for source in WAYS:
            some = batches(series, source)[: chance.randint(1, 8)]
            tasks.append(asyncio.create_task(self._feed(source, some)))
        storm = asyncio.create_task(self._through(LONGEST_STORM))
        await storm
        world.calm()
        await asyncio.sleep(0)
        if not await self._through(STUCK):
            waiting = [f"{each.row.destination} {each.row.control_id} {each.row.state}" for each in self._open()]
            self.found.append(f"nothing more came in {STUCK} of calm; waiting: {waiting}")
        await self._end(tasks)

    async def _end(self, tasks: Sequence[asyncio.Task[None]]) -> None:
        """Let the last process die, then stop the others. Raises what one of them fell over."""
        self._is_over = True
        for process in list(self.world.alive.values()):
            process.die()
        serving, others = tasks[: self.world.owners], tasks[self.world.owners :]
        _, hanging = await asyncio.wait(serving, timeout=STUCK.total_seconds())
        if hanging:
            self.found.append("a service that was told to end did not")
        for task in others:
            task.cancel()
        for ended in await asyncio.gather(*(set(tasks) - hanging), return_exceptions=True):
            if isinstance(ended, Exception):
                raise ended

    def _open(self) -> list[Any]:
        return [sent for sent in self.world.store.committed.sent.values() if sent.is_open]

    async def _through(self, bound: timedelta) -> bool:
        """Wait until all is through; False if it is not within ``bound``."""
        world = self.world
        until = world.loop.time() + bound.total_seconds()
        while world.loop.time() < until:
            if len(world.history.submitted) and self._feeding == 0 and world.is_through:
                return True
            world.moved.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(30):
                    await world.moved.wait()
            await asyncio.sleep(0.1)
        return False

    async def _serve(self) -> None:
        """Run process after process until the round is over; several beside each other where they share a store."""
        world = self.world
        while not self._is_over:
            self._starts += 1
            name = f"process-{self._starts}"
            world.alive[name] = Process(world, name)
            await world.alive[name].run()
            del world.alive[name]
            await asyncio.sleep(world.chance.uniform(0.1, 5))
            world.restart_store()

    async def _somebody(self) -> Process:
        """Give a process that lives just now."""
        while not self.world.alive:
            await asyncio.sleep(0.05)
        return self.world.chance.choice(list(self.world.alive.values()))

    async def _feed(self, source: str, some: Sequence[Batch]) -> None:
        """Bring batch after batch, each until it is acknowledged."""
        self._feeding += 1
        profile, letter = WAYS[source]
        for batch in some:
            await asyncio.sleep(self.world.chance.uniform(0, 5))
            for strip in batch.strips:
                self.world.history.submitted[strip.name] = strip.patient
                if strip.is_stat:
                    self.world.history.stat.add(strip.name)
            while not await self._offer(source, profile, batch, origin=batch.name if letter == "F" else ""):
                await asyncio.sleep(self.world.chance.uniform(0.1, 20))
            self.world.history.acknowledged.update(strip.name for strip in batch.strips)
            self.world.moved.set()
        self._feeding -= 1

    async def _offer(self, source: str, profile: str, batch: Batch, *, origin: str) -> bool:
        """Bring a batch once; False if nobody answered for it."""
        process = await self._somebody()
        capture = Capture(
            source=source, way=Way.FOLDER if origin else Way.SERIAL, arrived_at=self.world.now(),
            payload=framed(batch.text, tables().profiles[profile]), name=origin, live=not origin,
        )  # fmt: skip
        keeping = asyncio.create_task(process.service.keep(capture, analyzer=f"bench-{source}", profile=profile, origin=origin))
        dying = asyncio.create_task(process.died.wait())
        await asyncio.wait({keeping, dying}, return_when=asyncio.FIRST_COMPLETED)
        is_kept = keeping.done() and not keeping.cancelled() and not isinstance(keeping.exception(), StoreError)
        if keeping.done() and not is_kept and not isinstance(keeping.exception(), StoreError):
            keeping.result()
        for task in (keeping, dying):
            task.cancel()
        await asyncio.gather(keeping, dying, return_exceptions=True)
        return is_kept

    async def _person(self) -> None:
        """Look at what was refused or given up, now and then, and send it again or discard it."""
        chance = self.world.chance
        while True:
            await asyncio.sleep(chance.uniform(30, 900))
            process = await self._somebody()
            for stop in self.world.store.stops(group=StopGroup.REFUSED):
                end = StopEnd.SENT_AGAIN if chance.random() < 0.7 else StopEnd.DISCARDED
                command = CloseStop(stop_id=stop.stop_id, end=end, actor=PERSON, reason="looked", at=self.world.now())
                process.handle.submit(command).add_done_callback(partial(_wake, process))
            self.world.moved.set()

    async def _clock(self) -> None:
        for _ in range(MOST_JUMPS):  # few: with many, the next one would soon end every wait that an earlier one made long
            await asyncio.sleep(self.world.chance.uniform(0.5, 30))
            if self.world.strikes("clock jumped"):
                self.world.jump()


def _drop(logger: object, name: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    raise structlog.DropEvent


def _wake(process: Process, done: Future[Any]) -> None:
    del done
    process.service.wake()


@contextlib.contextmanager
def quietly() -> Iterator[None]:
    """Keep the service's log to itself: it would cost more than the simulation."""
    before = structlog.get_config()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL), processors=[_drop])
    try:
        yield
    finally:
        structlog.configure(**before)


def cut_down(seed: int, faults: int) -> int:
    """Give a small number of a failing round's first faults with which it still fails, found by halving."""
    fails, holds = faults, -1
    while fails - holds > 1:
        most = (fails + holds) // 2
        fails, holds = (most, holds) if Round(seed, most).play() else (fails, most)
    return fails


@dataclass(kw_only=True)
class Sums:
    """What some rounds come to."""

    faults: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    breaches: list[str] = field(default_factory=list)

    def add(self, other: Sums) -> None:
        """Add what other rounds came to."""
        self.faults.update(other.faults)
        self.counts.update(other.counts)
        self.breaches += other.breaches


def played(seeds: Sequence[int]) -> Sums:
    """Play a round for each seed; a breach is told with its seed, and with how few of its faults it comes."""
    sums = Sums()
    with quietly():
        for seed in seeds:
            this = Round(seed)
            breaches = this.play()
            sums.faults.update(this.world.faults)
            sums.counts.update(_counts(this.world))
            if breaches:
                most = cut_down(seed, this.world.faults.total())
                sums.breaches += [f"seed {seed} (its first {most} faults suffice): {breach}" for breach in breaches]
    return sums


def simulate(seeds: Sequence[int], *, workers: int = 1, tell: Callable[[str], None] = lambda _: None) -> dict[str, Any]:
    """Play a round for each seed, in so many processes; give the figures, and the breaches among them."""
    sums, began = Sums(), time.monotonic()
    parts = [seeds[first : first + PART] for first in range(0, len(seeds), PART)]
    if workers == 1:
        for part in parts:
            sums.add(played(part))
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            for number, some in enumerate(pool.map(played, parts), start=1):
                sums.add(some)
                if number % 10 == 0:
                    tell(f"{number * PART} rounds, {sums.faults.total()} faults, {len(sums.breaches)} breaches")
    seconds = time.monotonic() - began
    return {
        "rounds": len(seeds),
        **sums.counts,
        "faults": dict(sorted(sums.faults.items())),
        "rounds a second": round(len(seeds) / seconds, 1),
        "breaches": sums.breaches,
    }


def _counts(world: World) -> dict[str, int]:
    history = world.history
    sent = Counter((a.receiver, a.strip) for a in history.arrived)
    return {
        "strips": len(history.submitted),
        "messages received": len(history.arrived),
        "of them sent again": sum(sent.values()) - len(sent),
        "before a person": len(world.excused),
        "simulated hours": round(world.loop.time() / 3600),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 if the promises were kept, 1 if not."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.simulation", description=__doc__)
    parser.add_argument("--first", type=int, default=1, help="the first seed (1)")
    parser.add_argument("--rounds", type=int, default=20_000, help="how many seeds (20,000)")
    parser.add_argument("--workers", type=int, default=2, help="how many processes share them (2)")
    parser.add_argument(
        "--page", type=Path, metavar="FILE", help="put the figures into this page, between its markers `simulation`"
    )
    given = parser.parse_args(arguments)
    began = time.monotonic()
    seeds = range(given.first, given.first + given.rounds)
    figures = simulate(seeds, workers=given.workers, tell=lambda line: print(line, flush=True))
    breaches = figures.pop("breaches")
    if given.page:
        put(given.page, "simulation", run_words((time.monotonic() - began) / 60) + simulation_table(figures, breaches))
    print(json.dumps(figures, indent=1))
    print("\n".join(breaches) or KEPT)
    return 1 if breaches else 0


if __name__ == "__main__":
    sys.exit(main())
