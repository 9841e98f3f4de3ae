"""Messages whose first try begins in the commit that makes them: sent at once, in order all the same, and under way for nobody when it stops."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any, cast

import pytest

from bridge import clock
from bridge.errors import LeaseLost, StoreFull, StoreUnsure
from bridge.model import Acknowledgement, Answer, DeliveryState, Message, Priority
from bridge.queue.lanes import URGENT_PLACES, DestinationQueue
from bridge.queue.leases import Free
from bridge.queue.offers import Offer
from bridge.store.api import Store
from bridge.store.awaited import done, submitted
from bridge.store.commands import Command, EndAttempt, Lease, RecordedOutcome
from bridge.store.rows import LaneHead
from bridge.store.sqlite import SqliteStore
from tests.peers.mllp_receiver import MllpReceiver, accept, turn_away
from tests.peers.outgoing import oru
from tests.queue.stock import outcome_of, put, row, states, until
from tests.queue.test_lanes import mllp, pace, queue_of, running

S = DeliveryState
STAT = Priority.STAT


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a real store in a folder of its own."""
    made = SqliteStore(tmp_path / "store", now=clock.now)
    yield made
    made.close()


class Looking:
    """The real store, which counts how often the queue asks it for what may go."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.looks = 0

    @property
    def as_store(self) -> Store:
        return cast("Store", self)

    def lane_heads(self, *given: Any, **more: Any) -> tuple[LaneHead, ...]:
        """Ask the store."""
        self.looks += 1
        return self._store.lane_heads(*given, **more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


class Held:
    """A receiver that answers only when the test lets it."""

    def __init__(self) -> None:
        self.sent: list[str] = []
        self.may_answer = asyncio.Event()

    async def send(self, message: Message) -> Acknowledgement:
        """Note what came, and wait."""
        self.sent.append(message.control_id)
        await self.may_answer.wait()
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")


def told(offer: Offer | None) -> Callable[[Any], None]:
    """Give what passes on how a command went, as who judges does."""

    def tell(future: Any) -> None:
        if offer is not None:
            made: RecordedOutcome = future.result()
            offer.made(made.delivery_ids[0], made.attempts[0])

    return tell


async def recorded(queue: DestinationQueue, store: Store, message: Message) -> bool:
    """Offer and record a message, as who judges does; say whether it was taken."""
    offer = queue.offer(message)
    await submitted(store, outcome_of(store, message, offer=offer), told=told(offer))
    if offer is None:
        queue.came()
    return offer is not None


async def idle(queue: DestinationQueue) -> None:
    """Wait until the queue has looked, and found nothing."""
    await until(lambda: not queue._may_wait)


def test_what_is_recorded_while_nothing_waits_is_sent_without_a_look(store: SqliteStore) -> None:
    """Ten patients one behind the other: each is sent and accepted, and nobody asked the store what may go."""
    messages = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(10)]
    looking = Looking(store)

    async def whole(receiver: MllpReceiver) -> int:
        client = mllp(receiver)
        queue = queue_of(looking.as_store, client, pace(in_flight=1, lanes=4))
        async with running(queue, client):
            await idle(queue)
            before = looking.looks
            for message in messages:
                assert await recorded(queue, store, message)
                await until(lambda message=message: states(store, message) == [S.ACCEPTED])  # type: ignore[misc]  # bound at once
            return looking.looks - before

    with MllpReceiver() as receiver:
        assert asyncio.run(whole(receiver)) == 0
        assert receiver.control_ids == [message.control_id for message in messages]
    assert [row(store, message).attempts for message in messages] == [1] * 10


class Conflicting:
    """A receiver that is there, and has a conflict with what it holds at each message's first tries."""

    def __init__(self, conflicts: int) -> None:
        self.sent: list[str] = []
        self._conflicts = conflicts

    async def send(self, message: Message) -> Acknowledgement:
        """Answer a message's first tries with 409."""
        self.sent.append(message.control_id)
        if self.sent.count(message.control_id) <= self._conflicts:
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 409")
        return Acknowledgement(answer=Answer.ACCEPTED, code="HTTP 200")


def test_what_is_due_again_before_its_try_is_over_is_not_slept_over(store: SqliteStore) -> None:
    """Due at once, while the try that began with its making has a step to go: the look that finds it busy is followed by another."""
    message, client = oru("E0000M1"), Conflicting(conflicts=2)

    async def whole() -> None:
        queue = queue_of(store, client, pace(first=0.0, longest=0.0, in_flight=4, lanes=16))
        async with running(queue, client):
            await idle(queue)
            assert await recorded(queue, store, message)
            await until(lambda: states(store, message) == [S.ACCEPTED])

    asyncio.run(whole())
    assert client.sent == [message.control_id] * 3


def test_a_later_message_of_a_patient_waits_for_the_earlier_one(store: SqliteStore) -> None:
    """Both are offered before either is over: the second begins nothing, and goes once the first was taken at its second try."""
    one, two, other = oru("E0000M1"), oru("E0000M2"), oru("E0000M3", lane="P2")

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace(in_flight=1, lanes=4))
        async with running(queue, client):
            await idle(queue)
            assert await recorded(queue, store, one)
            assert await recorded(queue, store, two)
            await until(lambda: states(store, one, two) == [S.ACCEPTED, S.ACCEPTED])
            await idle(queue)
            assert await recorded(queue, store, other)
            await until(lambda: states(store, other) == [S.ACCEPTED])

    gate = threading.Event()
    with MllpReceiver() as receiver:
        receiver.script(turn_away("AR", "207", held=gate), accept())
        threading.Timer(0.1, gate.set).start()
        asyncio.run(whole(receiver))
        assert receiver.control_ids == ["E0000M1", "E0000M1", "E0000M2", "E0000M3"]


def test_what_waits_goes_before_what_comes(store: SqliteStore) -> None:
    """Older messages of other patients wait for a place: a fresh one queues behind them, an urgent one has places of its own."""
    old = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(4)]
    fresh, urgent = oru("E0000M8", lane="P8"), [oru(f"E0001M{n}", lane=f"U{n}", priority=STAT) for n in range(URGENT_PLACES + 3)]
    for message in old:
        put(store, message)

    async def whole() -> list[str]:
        held = Held()
        queue = queue_of(store, held, pace(in_flight=1, lanes=2))
        async with running(queue, None):
            await until(lambda: held.sent == ["E0000M0"])
            assert not await recorded(queue, store, fresh)
            assert [await recorded(queue, store, message) for message in urgent] == [True] * (URGENT_PLACES + 2) + [False]
            held.may_answer.set()
            await until(lambda: set(states(store, *old, fresh, *urgent)) == {S.ACCEPTED})
        return held.sent

    sent = asyncio.run(whole())
    assert sent[0] == "E0000M0"
    assert [name for name in sent if name.startswith("E0001")] == [message.control_id for message in urgent]
    assert [name for name in sent if name.startswith("E0000")] == [message.control_id for message in (*old, fresh)]
    assert sent.index("E0001M6") < sent.index("E0000M2")


def test_nothing_is_taken_where_it_could_not_be_sent(store: SqliteStore) -> None:
    """Not started, shut, or resting after a silence: what comes is made, and waits in the store."""

    async def whole() -> None:
        silent = Silent()
        queue = queue_of(store, silent, pace(first=60, longest=60))
        assert queue.offer(oru("E0000M1")) is None
        async with running(queue, None):
            await idle(queue)
            queue.shut("Its tables are not signed.")
            assert not await recorded(queue, store, oru("E0000M2"))
            queue.open()
            await until(lambda: silent.calls == 1)
            await until(lambda: queue.next_try is not None)
            assert not await recorded(queue, store, oru("E0000M3", lane="P3"))
        assert queue.offer(oru("E0000M4")) is None

    asyncio.run(whole())
    assert states(store, oru("E0000M2"), oru("E0000M3")) == [S.RETRYING, S.QUEUED]


class Silent:
    """A receiver that nobody reaches."""

    calls = 0

    async def send(self, message: Message) -> Acknowledgement:
        """Reach nobody."""
        del message
        self.calls += 1
        return Acknowledgement(answer=Answer.CLOSED, code="no connection")


class NotHeld(Free):
    """The grip on a destination that is another process's."""

    def fence(self) -> Lease | None:
        """Give none."""
        raise LeaseLost("destination:record is not held by this process.")


def test_nothing_is_taken_for_a_destination_of_another_process(store: SqliteStore) -> None:
    """Who judges here need not be who sends: the message is made, and the other process hears of it."""

    async def whole() -> None:
        queue = queue_of(store, Held(), pace())
        async with running(queue, None):
            await idle(queue)
            queue._grip = NotHeld()
            assert queue.offer(oru("E0000M1")) is None

    asyncio.run(whole())


def test_what_begins_after_the_queue_stopped_is_kept_back_and_goes_at_the_next_start(store: SqliteStore) -> None:
    """Between the offer and the commit the queue is stopped: nothing is sent, no try is counted, and the next run sends it."""
    message = oru("E0000M1")

    async def whole() -> None:
        first = Held()
        queue = queue_of(store, first, pace())
        async with running(queue, None):
            await idle(queue)
            offer = queue.offer(message)
        assert offer is not None
        await submitted(store, outcome_of(store, message, offer=offer), told=told(offer))
        await until(lambda: states(store, message) == [S.RETRYING])
        assert (row(store, message).attempts, first.sent) == (0, [])
        second = Held()
        second.may_answer.set()
        queue._client = second
        async with running(queue, None):
            await until(lambda: states(store, message) == [S.ACCEPTED])
        assert second.sent == ["E0000M1"]

    asyncio.run(whole())
    assert row(store, message).attempts == 1


class Refusing:
    """The real store, which has no room for the first end of a try."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.refused = 0

    @property
    def as_store(self) -> Store:
        return cast("Store", self)

    def submit(self, command: Command) -> Future[Any]:
        """Refuse one command; pass the others on."""
        if not isinstance(command, EndAttempt) or self.refused:
            return self._store.submit(command)
        self.refused += 1
        future: Future[Any] = Future()
        future.set_exception(StoreFull("The disk is full; nothing was written (SQLITE_FULL)."))
        return future

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


def test_what_begins_for_a_queue_that_runs_anew_goes_also_where_its_end_finds_no_room(store: SqliteStore) -> None:
    """Offered in one run and made in the next, which has recovered already: nobody else would ever make it due again."""
    message, refusing = oru("E0000M1"), Refusing(store)

    async def whole() -> None:
        held = Held()
        held.may_answer.set()
        queue = queue_of(refusing.as_store, held, pace())
        async with running(queue, None):
            await idle(queue)
            offer = queue.offer(message)
        assert offer is not None
        async with running(queue, None):
            await until(lambda: queue._is_taking)  # it has recovered
            await submitted(store, outcome_of(store, message, offer=offer), told=told(offer))
            await until(lambda: states(store, message) == [S.ACCEPTED])
        assert held.sent == ["E0000M1"]

    asyncio.run(whole())
    assert (refusing.refused, row(store, message).attempts) == (1, 1)


def test_what_may_have_begun_is_made_due_again(store: SqliteStore) -> None:
    """The server went away during the commit: nobody knows whether it began, so the queue falls, and recovers what is under way as after a crash."""
    message = oru("E0000M1")

    async def whole() -> None:
        held = Held()
        held.may_answer.set()
        queue = queue_of(store, held, pace())
        async with running(queue, None) as task:
            await idle(queue)
            offer = queue.offer(message)
            assert offer is not None
            await done(store, outcome_of(store, message, offer=offer))
            offer.failed(StoreUnsure("The database went away during a commit."))
            await until(task.done)
            with pytest.raises(StoreUnsure):
                await task
        assert (states(store, message), held.sent) == ([S.SENDING], [])
        async with running(queue, None):
            await until(lambda: states(store, message) == [S.ACCEPTED])
        assert held.sent == ["E0000M1"]

    asyncio.run(whole())
    assert row(store, message).attempts == 2


def test_what_was_not_recorded_leaves_its_place(store: SqliteStore) -> None:
    """A refused command makes nothing: the queue runs on, and its place is free for the next one."""

    async def whole() -> None:
        held = Held()
        queue = queue_of(store, held, pace(in_flight=1, lanes=1))
        async with running(queue, None) as task:
            await idle(queue)
            offers = [queue.offer(oru(f"E0000M{n}", lane=f"P{n}")) for n in range(3)]
            assert [offer is not None for offer in offers] == [
                True,
                True,
                False,
            ]  # a place, and one more that judging had begun to fill
            for offer in filter(None, offers):
                offer.failed(StoreFull("no room"))
            await idle(queue)
            assert await recorded(queue, store, oru("E0000M3", lane="P3"))
            await until(lambda: held.sent == ["E0000M3"])
            assert not task.done()
            held.may_answer.set()
            await until(lambda: states(store, oru("E0000M3")) == [S.ACCEPTED])

    asyncio.run(whole())
