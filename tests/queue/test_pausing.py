"""A receiver that a person pauses gets nothing; what waits keeps its order, and nothing of it is given up."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.lifecycle.states import DestinationState
from bridge.model import Acknowledgement, Answer, DeliveryState, Message
from bridge.queue.lanes import DestinationQueue
from bridge.store.sqlite import SqliteStore
from tests.peers.mllp_receiver import MllpReceiver, accept
from tests.peers.outgoing import oru
from tests.queue.stock import door, put, row, states, until
from tests.queue.test_lanes import Wall, all_over, mllp, no_births, pace, queue_of, running

S = DeliveryState
WHY = "Paused by Bo: their update"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path / "store", now=clock.now)
    yield made
    made.close()


def test_a_pause_lets_the_message_under_way_end_and_splits_no_chain(store: SqliteStore) -> None:
    """Of one patient's messages the first is with the receiver; the others wait, with what comes meanwhile, and go in order."""
    chain = [oru(f"E0000M{n}", lane="P1") for n in range(1, 4)]
    other = oru("E0000M9", lane="P2")
    for message in (*chain[:2], other):
        put(store, message)
    held = threading.Event()

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace(lanes=20))
        async with running(queue, client):
            await until(lambda: len(receiver.received) == 1 and states(store, other) == [S.SENDING])
            queue.pause(WHY)
            held.set()
            await until(lambda: states(store, chain[0], chain[1], other) == [S.ACCEPTED, S.QUEUED, S.RETRYING])
            await asyncio.to_thread(put, store, chain[2])
            queue.wake()
            await until(lambda: (door(store).state, door(store).reason) == (DestinationState.PAUSED, WHY))
            await until(lambda: not queue._woken.is_set())
            assert len(receiver.received) == 1
            assert queue.next_try is None
            assert (queue.is_paused, queue.shut_because) == (True, "")
            queue.resume()
            await until(all_over(store, *chain, other))
            assert door(store).state is DestinationState.OPEN

    with MllpReceiver() as receiver:
        receiver.script(accept(held=held))
        asyncio.run(whole(receiver))
        assert sorted(receiver.control_ids) == sorted(message.control_id for message in (*chain, other))
        assert [each for each in receiver.control_ids if each != "E0000M9"] == ["E0000M1", "E0000M2", "E0000M3"]


def test_nothing_begins_with_its_making_while_it_is_paused(store: SqliteStore) -> None:
    """The short way past the store is shut as well."""

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace())
        async with running(queue, client):
            await until(lambda: not queue._may_wait)
            queue.pause(WHY)
            assert queue.offer(oru("E0000M1")) is None
            queue.resume()

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))


class Later:
    """A receiver that says "later" once, and takes everything after that."""

    def __init__(self) -> None:
        self.said = 0

    async def send(self, message: Message) -> Acknowledgement:
        """Answer, whatever the message is."""
        self.said += 1
        answer = Answer.TRY_AGAIN if self.said <= 2 else Answer.ACCEPTED
        return Acknowledgement(answer=answer, code=f"{message.control_id} {self.said}")


def test_the_time_of_a_pause_counts_against_no_message(store: SqliteStore) -> None:
    """It was tried once, then paused for two days, past the day after which it would be given up: it is tried on as if nothing had been."""
    message, wall, client = oru("E0000M1"), Wall(), Later()
    put(store, message)

    async def whole() -> None:
        queue = DestinationQueue(
            store, "record", client, pace(first=0.3, give_up=86_400), bear=no_births, now=wall.now, jitter=lambda: 0.0
        )
        async with running(queue, client):
            await until(lambda: states(store, message) == [S.RETRYING])
            queue.pause(WHY)
            await until(lambda: door(store).state is DestinationState.PAUSED)
            wall.ahead = timedelta(days=2)
            queue.resume()
            await until(all_over(store, message))

    asyncio.run(whole())
    assert (states(store, message), row(store, message).attempts) == ([S.ACCEPTED], 3)
