"""Leases as a process has them: what runs while one is held, and that a process which stood still neither sends nor marks.

Two processes share one file here, as they would a server: a store that says so, and a clock that each test moves.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable, Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge import clock
from bridge.deliver.mllp import MllpClient
from bridge.errors import LeaseLost, StoreFull
from bridge.lifecycle.sharing import EVERY_ROLE, every
from bridge.model import Acknowledgement, Answer, DeliveryState, Format, Message, Priority
from bridge.queue import leases as module
from bridge.queue import patience
from bridge.queue.lanes import DestinationQueue
from bridge.queue.leases import FREE, LENGTH_S, MARGIN_S, Leases, Process
from bridge.queue.tries import Pace
from bridge.settings import MllpDestination
from bridge.store.commands import BeginAttempt, HoldLeases, Lease, ReserveNumbers
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.peers.mllp_receiver import MllpReceiver
from tests.peers.outgoing import oru
from tests.queue import stock

DEST = "destination:record"


class Clock:
    """A time that a test moves: the server's and each machine's at once."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.start = clock.now()

    def now(self) -> datetime:
        """Give the moment."""
        return self.start + timedelta(seconds=self.seconds)

    def elapsed(self) -> float:
        """Give the seconds."""
        return self.seconds


class Shared(SqliteStore):
    """A real store that several processes of a test use, with a clock of its own as a server has."""

    clock: Clock

    @property
    def is_shared(self) -> bool:
        """Say yes."""
        return True

    def _connect(self) -> SqliteDb:
        ours = self.clock

        class Db(SqliteDb):
            def time(self, given: datetime) -> datetime:
                return ours.now()

        return sqlite3.connect(self._file, isolation_level=None, timeout=30, factory=Db)


@pytest.fixture
def shared(tmp_path: Path) -> Iterator[Shared]:
    """Give such a store."""
    store = type("SharedHere", (Shared,), {"clock": Clock()})(tmp_path, now=clock.now)
    yield store
    store.close()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beat often: the tests' clock stands still unless it is moved."""
    monkeypatch.setattr(module, "BEAT_S", 0.02)


def process(name: str) -> Process:
    """Give a process of that name."""
    return Process(owner=name, host="h", pid=1, roles=EVERY_ROLE)


def leases(store: SqliteStore, name: str, time: Clock | None = None) -> Leases:
    """Give the leases of a process with a clock of its own, the store's by default."""
    mine = time or getattr(store, "clock", None) or Clock()
    return Leases(store, process(name), now=clock.now, elapsed=mine.elapsed)


class Work:
    """Something that runs while a lease is held, and says so."""

    def __init__(self) -> None:
        self.begun = 0
        self.is_running = False

    async def run(self) -> None:
        """Run until cancelled."""
        self.begun += 1
        self.is_running = True
        try:
            await asyncio.Event().wait()
        finally:
            self.is_running = False


async def _stopped(*tasks: asyncio.Task[None]) -> None:
    for task in tasks:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def _live(story: Callable[[], Awaitable[None]]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(30):
            await story()

    asyncio.run(bounded())


def test_alone_a_process_holds_all_it_wishes_and_beats_only_for_news(tmp_path: Path) -> None:
    """SQLite: one command at the start and one for each new name; then nothing is written while nothing happens."""
    beats: list[HoldLeases] = []

    class Counting(SqliteStore):
        def submit(self, command: Any) -> Any:
            beats.extend([command] if isinstance(command, HoldLeases) else [])
            return super().submit(command)

    store = Counting(tmp_path, now=clock.now)

    async def story() -> None:
        mine = leases(store, "a")
        work, other = Work(), Work()
        tasks = [asyncio.create_task(mine.grip(DEST).hold(work.run)), asyncio.create_task(mine.run())]
        await stock.until(lambda: work.is_running)
        assert mine.grip(DEST).fence() == Lease(name=DEST, token=1)
        tasks.append(asyncio.create_task(mine.grip("analyzer:x").hold(other.run)))
        await stock.until(lambda: other.is_running)
        await asyncio.sleep(0.1)  # five beats of a shared store
        assert [each.wishes for each in beats] == [{DEST}, {DEST, "analyzer:x"}]
        assert {each.length_s for each in beats} == {None}
        await _stopped(*tasks)

    _live(story)
    store.close()


def test_a_process_that_stands_still_past_its_lease_holds_nothing(shared: Shared) -> None:
    """It knows by its own clock before anybody else can have it: the fence falls half a second early."""

    async def story() -> None:
        mine = leases(shared, "a")
        work = Work()
        holding, beating = asyncio.create_task(mine.grip(DEST).hold(work.run)), asyncio.create_task(mine.run())
        await stock.until(lambda: work.is_running)
        await _stopped(beating)
        shared.clock.seconds = LENGTH_S - MARGIN_S - 0.001
        mine.grip(DEST).fence()
        shared.clock.seconds = LENGTH_S - MARGIN_S
        with pytest.raises(LeaseLost):
            mine.grip(DEST).fence()
        await _stopped(holding)

    _live(story)


def test_a_machine_that_slept_past_its_lease_stops_what_ran_soon_after_it_wakes(shared: Shared) -> None:
    """A loop's timers stand still meanwhile; heartbeats fail, so that nobody but the alarm can tell."""

    async def story() -> None:
        mine, work = leases(shared, "a"), Work()
        beating = asyncio.create_task(mine.run())
        holding = asyncio.create_task(mine.grip(DEST).hold(work.run))
        await stock.until(lambda: work.is_running)
        beating.cancel()
        with suppress(asyncio.CancelledError):
            await beating
        shared.clock.seconds += LENGTH_S  # the clock that counts sleep went on; the loop's own did not
        await stock.until(lambda: not work.is_running, limit=timedelta(seconds=(LENGTH_S - MARGIN_S) / 2))
        await _stopped(holding)

    _live(story)


def test_what_a_dead_process_held_is_taken_and_begun_anew(shared: Shared) -> None:
    """Kill -9: no beat, nothing given back. The other has it once it has run out, and finds names it never heard of."""

    async def story() -> None:
        dead, heir = leases(shared, "dead"), leases(shared, "heir")
        first, second = Work(), Work()
        found: list[str] = []
        dead.grip("analyzer:x")
        tasks = [asyncio.create_task(dead.grip(DEST).hold(first.run)), asyncio.create_task(dead.run())]
        await stock.until(lambda: first.is_running)
        await _stopped(*tasks)
        heir.on_found(found.append)
        heir.wish(every("analyzer"))
        tasks = [asyncio.create_task(heir.grip(DEST).hold(second.run)), asyncio.create_task(heir.run())]
        shared.clock.seconds += LENGTH_S - 0.1
        await asyncio.sleep(0.1)
        assert not second.is_running
        shared.clock.seconds += 0.1
        await stock.until(lambda: second.is_running)
        assert found == ["analyzer:x"]
        await _stopped(*tasks)

    _live(story)


def test_a_share_is_wound_up_before_it_is_given_back(shared: Shared) -> None:
    """A second process gets its half; no name is worked on by both at any moment."""

    async def story() -> None:
        one, two = leases(shared, "one"), leases(shared, "two")
        names = ["destination:a", "destination:b"]
        works = {(each, name): Work() for each in (one, two) for name in names}
        tasks = [asyncio.create_task(each.grip(name).hold(work.run)) for (each, name), work in works.items()]
        tasks.append(asyncio.create_task(one.run()))
        await stock.until(lambda: all(works[one, name].is_running for name in names))
        tasks.append(asyncio.create_task(two.run()))

        def even() -> bool:
            running = [(each, name) for (each, name), work in works.items() if work.is_running]
            assert len({name for _, name in running}) == len(running)
            return {each for each, _ in running} == {one, two}

        await stock.until(even)
        await _stopped(*tasks)

    _live(story)


def test_who_leaves_gives_everything_back_at_once(shared: Shared) -> None:
    """A restart for an update costs the others no wait."""

    async def story() -> None:
        one, two = leases(shared, "one"), leases(shared, "two")
        first, second = Work(), Work()
        tasks = [asyncio.create_task(one.grip(DEST).hold(first.run)), asyncio.create_task(one.run())]
        await stock.until(lambda: first.is_running)
        others = [asyncio.create_task(two.grip(DEST).hold(second.run)), asyncio.create_task(two.run())]
        await _stopped(*tasks)
        one.leave()
        await stock.until(lambda: second.is_running)
        await _stopped(*others)

    _live(story)


def test_work_that_falls_over_is_told_and_one_that_lost_its_lease_waits(shared: Shared) -> None:
    """A defect is the caller's to handle; LeaseLost is not: the work begins again once the lease is held again."""

    async def falls() -> None:
        raise KeyError("a defect")

    async def story() -> None:
        mine = leases(shared, "a")
        beating = asyncio.create_task(mine.run())
        with pytest.raises(KeyError):
            await mine.grip(DEST).hold(falls)
        runs: list[int] = []

        async def loses() -> None:
            runs.append(1)
            if len(runs) == 1:
                raise LeaseLost("another's")
            await asyncio.Event().wait()

        holding = asyncio.create_task(mine.grip(DEST).hold(loses))
        await stock.until(lambda: len(runs) == 2)
        await _stopped(holding, beating)

    _live(story)


def test_who_is_told_to_end_while_lost_work_winds_up_ends(shared: Shared) -> None:
    """Two ends at once, a lease that is lost and a service that is stopped: work winds up whole, and the one who held it is gone after it."""
    told: list[str] = []

    async def whole() -> None:
        grip = leases(shared, "one").grip("destination:record")
        begun, winding, release = asyncio.Event(), asyncio.Event(), asyncio.Event()

        async def work() -> None:
            begun.set()
            try:
                await asyncio.Event().wait()
            finally:
                winding.set()
                await release.wait()
                told.append("wound up")

        holding = asyncio.create_task(grip.hold(work))
        grip.take(Lease(name="destination:record", token=1))
        await begun.wait()
        grip.lose()
        await winding.wait()
        holding.cancel()
        await asyncio.sleep(0)
        release.set()
        async with asyncio.timeout(10):
            with pytest.raises(asyncio.CancelledError):
                await holding

    asyncio.run(whole())
    assert told == ["wound up"]


def test_a_heartbeat_that_fails_is_tried_again(shared: Shared, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk or a server that is away for a moment: leases last until they run out, and are renewed when it is back."""
    real, refusals = shared.submit, [StoreFull("no room")] * 2

    def refusing(command: Any) -> Any:
        future = real(command)
        if isinstance(command, HoldLeases) and refusals:
            future = type(future)()
            future.set_exception(refusals.pop())
        return future

    monkeypatch.setattr(shared, "submit", refusing)

    async def story() -> None:
        mine = leases(shared, "a")
        work = Work()
        tasks = [asyncio.create_task(mine.grip(DEST).hold(work.run)), asyncio.create_task(mine.run())]
        await stock.until(lambda: work.is_running)
        assert refusals == []
        await _stopped(*tasks)

    _live(story)


def test_what_nobody_else_can_work_on_needs_no_lease() -> None:
    """A serial line, or a port that we listen on."""
    assert FREE.fence() is None


# --- a queue behind its lease


class Receiver:
    """Takes messages; answers when it is let."""

    def __init__(self) -> None:
        self.got: list[str] = []
        self.answering = asyncio.Event()

    async def send(self, message: Message) -> Acknowledgement:
        """Note the message, and answer once it may."""
        self.got.append(message.control_id)
        await self.answering.wait()
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")


async def _no_births(_: Any) -> Message | None:
    return None


def _queue(store: SqliteStore, mine: Leases, receiver: Receiver) -> DestinationQueue:
    second = timedelta(seconds=1)
    pace = Pace(first=second, longest=second, give_up=timedelta(days=1), lanes=1, in_flight=1)
    return DestinationQueue(
        store, "record", receiver, pace, bear=_no_births, now=clock.now, jitter=lambda: 0.0, grip=mine.grip(DEST)
    )


def _message(number: int) -> Message:
    return Message(
        destination="record", format=Format.ORU_R01, control_id=f"M{number}", payload=b"MSH", result_id=f"R{number}", version=1, lane="p",
        priority=Priority.ROUTINE,
    )  # fmt: skip


def test_a_late_answer_does_not_count_and_the_heir_sends_the_same_again(shared: Shared) -> None:
    """The old owner stands still in the middle of a try: the heir makes it due again, and the old one's yes changes nothing."""
    first, second = _message(1), _message(2)
    for message in (first, second):
        stock.put(shared, message)

    async def story() -> None:
        frozen_time = Clock()
        old, heir = leases(shared, "old", frozen_time), leases(shared, "heir")
        slow, prompt = Receiver(), Receiver()
        prompt.answering.set()
        tasks = [asyncio.create_task(old.grip(DEST).hold(_queue(shared, old, slow).run)), asyncio.create_task(old.run())]
        await stock.until(lambda: slow.got == ["M1"])
        await _stopped(tasks.pop())  # its heart stops, and its clock with it: it does not know
        await asyncio.wrap_future(shared.submit(ReserveNumbers(count=1)))  # its last beat, if one was on its way, is written too
        shared.clock.seconds += LENGTH_S
        others = [asyncio.create_task(heir.grip(DEST).hold(_queue(shared, heir, prompt).run)), asyncio.create_task(heir.run())]
        await stock.until(lambda: prompt.got[:1] == ["M1"])
        slow.answering.set()
        await stock.until(lambda: stock.states(shared, first, second) == [DeliveryState.ACCEPTED] * 2)
        assert (slow.got, prompt.got) == (["M1"], ["M1", "M2"])
        await _stopped(*tasks, *others)

    _live(story)


def test_a_process_that_thaws_between_beginning_and_sending_sends_nothing(
    shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The beginning was noted while it had the lease; by the time it may send, its own clock says that it may not."""
    stock.put(shared, _message(1))
    mine = leases(shared, "a")
    receiver = Receiver()
    real = shared.submit

    def standing_still(command: Any) -> Any:
        if isinstance(command, BeginAttempt):
            shared.clock.seconds += LENGTH_S
        return real(command)

    async def story() -> None:
        tasks = [asyncio.create_task(mine.run())]
        await stock.until(lambda: not mine.are_over() and _is_held(mine))
        monkeypatch.setattr(shared, "submit", standing_still)
        await _stopped(*tasks)
        with pytest.raises(LeaseLost):
            await _queue(shared, mine, receiver).run()
        assert receiver.got == []
        assert stock.states(shared, _message(1)) == [DeliveryState.SENDING]
        monkeypatch.setattr(shared, "submit", real)
        heir = leases(shared, "heir")
        receiver.answering.set()
        tasks = [asyncio.create_task(heir.grip(DEST).hold(_queue(shared, heir, receiver).run)), asyncio.create_task(heir.run())]
        await stock.until(lambda: stock.states(shared, _message(1)) == [DeliveryState.ACCEPTED])
        await _stopped(*tasks)

    mine.grip(DEST)
    _live(story)


def _is_held(mine: Leases) -> bool:
    with suppress(LeaseLost):
        return mine.grip(DEST).fence().token > 0
    return False


# --- a receiver that only one of two processes reaches


class Members:
    """Two processes with a queue each for one destination, on one store."""

    def __init__(self, store: Shared, ports: dict[str, int]) -> None:
        self.leases = {name: leases(store, name) for name in ports}
        self.clients = {
            name: MllpClient(MllpDestination(kind="mllp", name="record", host="127.0.0.1", port=port))
            for name, port in ports.items()
        }
        wait = timedelta(seconds=0.01)
        pace = Pace(first=wait, longest=wait, give_up=timedelta(days=1), lanes=1, in_flight=1)
        self.queues = {
            name: DestinationQueue(
                store,
                "record",
                self.clients[name],
                pace,
                bear=_no_births,
                now=clock.now,
                jitter=lambda: 0.0,
                grip=each.grip(DEST),
            )
            for name, each in self.leases.items()
        }
        self.tasks: list[asyncio.Task[None]] = []

    def start(self, name: str) -> None:
        """Start one of them."""
        holding = self.leases[name].grip(DEST).hold(self.queues[name].run)
        self.tasks += [asyncio.create_task(holding), asyncio.create_task(self.leases[name].run())]

    def owner(self) -> list[str]:
        """Give who has the destination just now."""
        return [name for name, each in self.leases.items() if _is_held(each)]

    async def stop(self) -> None:
        """Stop both."""
        await _stopped(*self.tasks)
        for client in self.clients.values():
            await client.close()


def test_who_does_not_reach_a_receiver_leaves_it_to_who_does(shared: Shared, monkeypatch: pytest.MonkeyPatch) -> None:
    """It reaches the database, and would keep the destination for ever: each message goes once, in order, through the other."""
    monkeypatch.setattr(patience, "FIRST_S", 0.1)
    messages = [oru(f"M{number}", lane="p") for number in range(1, 6)]
    for message in messages[:3]:
        stock.put(shared, message)

    async def story() -> None:
        with MllpReceiver() as receiver, MllpReceiver() as gone:
            gone.go_away()
            pair = Members(shared, {"cut off": gone.port, "whole": receiver.port})
            pair.start("cut off")
            await stock.until(lambda: pair.owner() == ["cut off"])
            pair.start("whole")
            await stock.until(lambda: pair.owner() == ["whole"])
            for message in messages[3:]:
                stock.put(shared, message)
            pair.queues["whole"].wake()
            await stock.until(lambda: stock.states(shared, *messages) == [DeliveryState.ACCEPTED] * 5)
            assert receiver.control_ids == [each.control_id for each in messages]
            assert pair.owner() == ["whole"]
            await pair.stop()

    _live(story)


def test_who_is_alone_goes_on_trying(shared: Shared, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody else is there: however often it stood back, it sends as soon as the receiver is there."""
    monkeypatch.setattr(patience, "FIRST_S", 0.02)
    message = oru("M1")
    stock.put(shared, message)

    async def story() -> None:
        with MllpReceiver() as receiver:
            receiver.go_away()
            pair = Members(shared, {"alone": receiver.port})
            pair.start("alone")
            await stock.until(lambda: stock.row(shared, message).attempts >= 8)
            token = pair.leases["alone"].grip(DEST).fence().token
            receiver.come_back()
            await stock.until(lambda: stock.states(shared, message) == [DeliveryState.ACCEPTED])
            assert receiver.control_ids == ["M1"]
            assert pair.leases["alone"].grip(DEST).fence().token == token
            await pair.stop()

    _live(story)
