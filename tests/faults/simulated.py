"""Simulated rounds: the real service, judging, queues and doors on simulated time, store, wires and receivers.

One round: analyzers bring strips, a process judges and sends them, it dies at any await and is started over what was committed,
receivers lose, refuse, repeat and answer late, the clock jumps, a person clears the stops. At last all is calm, and the history
is judged by the same checker as that of the real campaign. A seed gives the same round every time; ``most_faults`` lets only the
first so many faults of it happen, so that a failing round can be cut down.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import random
from collections import Counter
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
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
from bridge.model import Acknowledgement, Actor, Capture, CodedResult, DeliveryState, Format, Message, Way
from bridge.queue.lanes import DestinationQueue
from bridge.queue.leases import Leases
from bridge.queue.leases import Process as Running
from bridge.queue.tries import Pace
from bridge.service import EVERYTHING, Service
from bridge.site import default_policy, load_tables
from bridge.store.api import Store
from bridge.store.commands import CloseStop, Command
from bridge.store.memory import MemoryStore
from bridge.tables.types import Tables
from tests.faults.history import History
from tests.faults.simulated_receivers import Hears, LateReceiver, Receiver
from tests.faults.strips import Batch, Inventor
from tests.faults.virtual_loop import VirtualLoop

BEGAN = datetime(2026, 11, 20, 6, tzinfo=UTC)
HL7, CHART, LATE, HOOK = "hl7", "chart", "late", "hook"  # LATE says CA, and later what became of a message; others answer once
IN_FLIGHT = {HL7: 1, CHART: 4, LATE: 1, HOOK: 4}
WAYS = {  # source: profile, letter, way
    "line": ("brook", "L", Way.SERIAL),
    "drops": ("brook-file", "F", Way.FOLDER),
    "network": ("dipper", "M", Way.MLLP),
    "posts": ("lark", "H", Way.HTTP),
}
MOST = {"line": 6, "drops": 4, "network": 3, "posts": 3}  # batches a round
SERIES = 40  # different runs of strips; making them up costs more than judging them
UNANSWERED = "deliver.unanswered"  # the rule of what was committed and got no second answer in time (docs/rejections.md)
APPLICATION = timedelta(seconds=900)  # how long a second answer is waited for, as the settings have it
LONGEST_STORM = timedelta(hours=2)  # of simulated time; then all is calm
STUCK = timedelta(hours=1)  # of calm: the longest wait between two tries is a quarter of one, a person looks as often
MOST_JUMPS = 3
PERSON = Actor(name="Ida", verified="unverified")
DAY = timedelta(days=1)


@cache
def tables() -> Tables:
    """Give the shipped tables; as in the campaign, no two strips of a patient look like one for being read close together."""
    policy = replace(default_policy(), rerun_window_minutes=0)
    return load_tables(settings.shipped_mappings(), None, policy, zone=ZoneInfo("UTC"))


@cache
def batches(series: int, source: str) -> tuple[Batch, ...]:
    """Give the strips of one run that a source brings."""
    profile, letter, _ = WAYS[source]
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
        self.found: list[str] = []  # breaches that the history cannot show
        self._most_faults = most_faults
        self._offset = timedelta()
        self.owners = owners or self.chance.choice((1, 1, 1, 1, 2, 3))  # processes at a time
        self.store = MemoryStore(now=self.now if self.owners == 1 else self._server_now, is_shared=self.owners > 1)
        self.rates = {name: self.chance.choice((0.0, low, high)) for name, (low, high) in RATES.items()}
        more = [name for name in (LATE, HOOK) if self.chance.random() < 0.5]  # each costs a third of a round
        self.receivers = {name: (LateReceiver if name == LATE else Receiver)(self, name) for name in (HL7, CHART, *more)}

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

    @property
    def living(self) -> list[Hears]:
        """Give the processes that are not dead."""
        return [process for process in self.alive.values() if not process.is_dead]

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
        if any(receiver.is_owing for receiver in self.receivers.values()):
            return False
        return all((receiver, strip) in there for receiver in self.receivers for strip in history.submitted)

    @property
    def unanswered(self) -> list[str]:
        """Give what waits for a person for want of a second answer; none may once every one was said and noted."""
        sent = self.store.committed.sent
        stops = [stop for stop in self.store.stops(group=StopGroup.REFUSED) if stop.rule == UNANSWERED]
        rows = [sent[stop.delivery_id].row for stop in stops if stop.delivery_id is not None]
        left = [row for row in rows if row.control_id not in self.receivers[row.destination].put_off]
        return [
            f"{row.destination}: delivery {row.delivery_id} waits for a person, and its second answer was noted" for row in left
        ]


# How often each fault strikes where it can: never, seldom or often, as the seed has it for its round.
RATES = {
    "killed": (0.004, 0.02),
    "cut off": (0.002, 0.01),  # from the server that several processes share, for some seconds
    "cut off from a receiver": (0.02, 0.1),  # one of several processes, for a while or for the rest of its life
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
    "second answer late": (0.05, 0.3),
    "second answer twice": (0.05, 0.3),
    "put off by the second answer": (0.02, 0.1),
    "refused by the second answer": (0.01, 0.05),
}


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
    cut_until: float = 0.0

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; the process may die before, in the middle, and with the answer in its hands."""
        await self.process.may_die()
        self._may_be_cut_off()
        answer = no_answer(Silence.NO_CONNECTION) if self.is_cut_off else await self.receiver.answer(message)
        await self.process.may_die()
        return answer

    @property
    def is_cut_off(self) -> bool:
        """Say whether this process does not reach the receiver."""
        return self.process.world.loop.time() < self.cut_until

    def _may_be_cut_off(self) -> None:
        """Cut the wire, for good if the seed says so, even when all else is calm; never of the last process that has one."""
        world, name = self.process.world, self.receiver.name
        others = [each for each in world.alive.values() if each is not self.process and not each.is_dead]
        if self.is_cut_off or all(each.clients[name].is_cut_off for each in others):
            return
        if world.strikes("cut off from a receiver"):
            self.cut_until = world.loop.time() + world.chance.choice((5.0, 60.0, 600.0, math.inf))


@dataclass
class Writers:
    """What writes messages: small ones, that say whose they are. For a while after a start it may write none."""

    process: Process
    destinations: Sequence[str]
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
        names = tuple(world.receivers)
        self._writers = Writers(self, names, shut=set(names) if world.chance.random() < 0.3 else set())
        ids = Ids(store)
        who = Running(owner=name, host="simulated", pid=1, roles=EVERY_ROLE)
        self._leases = Leases(store, who, now=world.now, elapsed=world.loop.time)
        profiles = {source: profile for source, (profile, _, _) in WAYS.items()}
        self.clients = {name: Client(self, world.receivers[name]) for name in names}
        self.queues = {name: self._queue(store, name, ids) for name in names}
        judging = Judging(store, tables(), self._writers, ids, world.now, profiles=profiles, outlets=self.queues)
        for name in self._writers.shut:
            self.queues[name].shut("Its messages are being checked.")
        self.service = Service(
            store=store, judging=judging, sources={}, queues=self.queues, leases=self._leases, once=[self._check_plans]
        )

    def _queue(self, store: Store, name: str, ids: Ids) -> DestinationQueue:
        pace = Pace(
            first=timedelta(seconds=1),
            longest=timedelta(seconds=900),
            give_up=timedelta(hours=24),
            lanes=4 * IN_FLIGHT[name],
            in_flight=IN_FLIGHT[name],
            application=APPLICATION if name == LATE else None,
        )
        return DestinationQueue(
            store,
            name,
            self.clients[name],
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
            self.queues[name].open()

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
        self.found = self.world.found
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
        return self.found + self.world.history.faults(tuple(self.world.receivers), marked=marked, excused=self.world.excused)

    async def _play(self) -> None:
        world, chance = self.world, self.world.chance
        tasks = [asyncio.create_task(self._serve()) for _ in range(world.owners)]
        tasks += [asyncio.create_task(self._person()), asyncio.create_task(self._clock())]
        series = chance.randrange(SERIES)
        for source in WAYS:
            some = batches(series, source)[: chance.randint(1, MOST[source])]
            tasks.append(asyncio.create_task(self._feed(source, some)))
        storm = asyncio.create_task(self._through(LONGEST_STORM))
        await storm
        world.calm()
        await asyncio.sleep(0)
        if not await self._through(STUCK):
            waiting = [f"{each.row.destination} {each.row.control_id} {each.row.state}" for each in self._open()]
            self.found.append(f"nothing more came in {STUCK} of calm; waiting: {waiting}")
        self.found += world.unanswered
        await self._end(tasks)

    async def _end(self, tasks: Sequence[asyncio.Task[None]]) -> None:
        """Let the last process die, then stop the others. Raises what one of them fell over."""
        self._is_over = True
        for process in list(self.world.alive.values()):
            process.die()
        for receiver in self.world.receivers.values():
            await receiver.hush()
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
        for batch in some:
            await asyncio.sleep(self.world.chance.uniform(0, 5))
            for strip in batch.strips:
                self.world.history.submitted[strip.name] = strip.patient
                if strip.is_stat:
                    self.world.history.stat.add(strip.name)
            while not await self._offer(source, batch):
                await asyncio.sleep(self.world.chance.uniform(0.1, 20))
            self.world.history.acknowledged.update(strip.name for strip in batch.strips)
            self.world.moved.set()
        self._feeding -= 1

    async def _offer(self, source: str, batch: Batch) -> bool:
        """Bring a batch once; False if nobody answered for it. All but a line tell the very same thing again by its name."""
        profile, _, way = WAYS[source]
        origin = "" if way is Way.SERIAL else batch.name
        process = await self._somebody()
        capture = Capture(
            source=source, way=way, arrived_at=self.world.now(),
            payload=framed(batch.text, tables().profiles[profile]), name=origin, live=way is not Way.FOLDER,
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
