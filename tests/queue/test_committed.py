"""Enhanced mode through the queue, the real store and real sockets: kept there, answered later, or never."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from bridge import clock
from bridge.deliver.late import AnswerListener, LateAnswers
from bridge.deliver.mllp import MllpClient
from bridge.model import Acknowledgement, Answer, DeliveryState, Message
from bridge.queue.lanes import DestinationQueue
from bridge.queue.tries import Pace
from bridge.settings import AnswersOn, MllpDestination
from bridge.store.sqlite import SqliteStore
from tests.peers.mllp_receiver import MllpReceiver, accept, answer_apart, commit, silent, turn_away
from tests.peers.outgoing import oru
from tests.queue.stock import put, row, states, until
from tests.queue.test_lanes import DAY, Wall, no_births, pace, queue_of, running, store

__all__ = ["store"]
S = DeliveryState


async def control() -> str:
    """Give the control ID of our own acknowledgement."""
    return "E0000M99"


def waiting(seconds: float, **more: Any) -> Pace:
    """Give a pace whose committed messages are waited for that long."""
    return replace(pace(), application=timedelta(seconds=seconds), **more)


@asynccontextmanager
async def enhanced(
    store: SqliteStore, receiver: MllpReceiver, pace_: Pace, *, answer_s: float = 10.0, asks: str = "AL"
) -> AsyncIterator[tuple[DestinationQueue, int]]:
    """Run a queue in enhanced mode; give it with the port where it listens for answers."""
    destination = MllpDestination.model_validate(
        {
            "kind": "mllp", "name": "record", "host": "127.0.0.1", "port": receiver.port, "answer_s": answer_s,
            "acknowledgement": "enhanced", "application_answer": asks, "answers_on": {"port": 0},
        }
    )  # fmt: skip
    client = MllpClient(destination)
    queue = queue_of(store, client, pace_)
    client.late = LateAnswers(destination, settle=queue.settle, control=control, now=clock.now)
    listener = AnswerListener("record", AnswersOn(port=0), client.late, now=clock.now)
    listening = asyncio.create_task(listener.run())
    async with running(queue, client):
        await listener.opened.wait()
        assert listener.address is not None
        yield queue, listener.address[1]
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


def run(whole: Callable[[], Any]) -> None:
    """Run it with a bound."""

    async def bounded() -> None:
        await asyncio.wait_for(whole(), 60)

    asyncio.run(bounded())


def test_a_committed_message_holds_its_lane_and_no_other(store: SqliteStore) -> None:
    """One patient's next result waits for the answer; other patients' go on, on the same connection. HZ-H04."""
    one, next_, other = oru("E0000M1", lane="P1"), oru("E0000M2", lane="P1"), oru("E0000M3", lane="P2")
    for message in (one, next_, other):
        put(store, message)
    answer = threading.Event()
    with MllpReceiver() as receiver:
        receiver.script(commit(accept(held=answer)))

        async def whole() -> None:
            async with enhanced(store, receiver, waiting(60)):
                await until(lambda: states(store, one, other) == [S.COMMITTED, S.ACCEPTED])
                assert states(store, next_) == [S.QUEUED]
                answer.set()
                await until(lambda: states(store, one, next_, other) == [S.ACCEPTED] * 3)

        run(whole)
        assert receiver.control_ids == ["E0000M1", "E0000M3", "E0000M2"]
        assert receiver.connections == 1


def test_a_late_no_on_its_own_connection_opens_a_row(store: SqliteStore) -> None:
    """Kept, then not taken: the receiver calls us, hears CA once it is noted, and a person sees its words."""
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(commit())

        async def whole() -> list[str]:
            async with enhanced(store, receiver, waiting(60)) as (_, port):
                await until(lambda: states(store, message) == [S.COMMITTED])
                no = turn_away("AE", "204", "No such patient", wish="AL")
                heard = await answer_apart(port, message.payload, no, expected=1)
                assert states(store, message) == [S.REFUSED]  # noted before it was acknowledged
                return heard

        heard: list[str] = []

        async def kept() -> None:
            heard.extend(await whole())

        run(kept)
        assert ["MSA|CA|" in said for said in heard] == [True]
        assert receiver.control_ids == ["E0000M1"]
    assert [(stop.rule, stop.receiver_words) for stop in store.stops()] == [("deliver.refused", "No such patient; 204")]


def test_an_answer_that_never_comes_is_shown_and_the_lane_goes_on(store: SqliteStore) -> None:
    """Up to the limit and not for ever; the message is not sent again, since the receiver keeps it. HZ-H04."""
    first, second = oru("E0000M1"), oru("E0000M2")
    for message in (first, second):
        put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(commit())

        async def whole() -> None:
            async with enhanced(store, receiver, waiting(0.1)) as (_, port):
                await until(lambda: states(store, first, second) == [S.EXPIRED, S.ACCEPTED])
                (stop,) = store.stops()
                assert stop.rule == "deliver.unanswered"
                await answer_apart(port, first.payload, accept(wish="AL"), expected=1)
                assert (states(store, first), store.stops()) == ([S.ACCEPTED], ())

        run(whole)
        assert receiver.control_ids == ["E0000M1", "E0000M2"]


def test_silence_is_a_yes_only_where_errors_alone_are_answered(store: SqliteStore) -> None:
    """MSH-16 ER: nothing within the limit is a yes; a no that comes after it opens a row all the same."""
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(commit())

        async def whole() -> None:
            async with enhanced(store, receiver, waiting(0.1, silence_is_yes=True), asks="ER") as (_, port):
                await until(lambda: states(store, message) == [S.ACCEPTED])
                await answer_apart(port, message.payload, turn_away("AE", wish="AL"), expected=1)
                assert states(store, message) == [S.REFUSED]

        run(whole)
    assert len(store.stops()) == 1


def test_a_yes_to_an_earlier_try_ends_the_tries(store: SqliteStore) -> None:
    """The first try got no CA in time; its AA comes by the other way while the second one waits: it is not sent again."""
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.decide = lambda _: silent(stored=True)

        async def whole() -> None:
            slow = replace(waiting(60), first=timedelta(seconds=30), longest=timedelta(seconds=30))
            async with enhanced(store, receiver, slow, answer_s=0.2) as (_, port):
                await until(lambda: states(store, message) == [S.RETRYING])
                await answer_apart(port, message.payload, accept(wish="AL"), expected=1)
                assert states(store, message) == [S.ACCEPTED]

        run(whole)
        assert receiver.control_ids == ["E0000M1"]
    assert row(store, message).attempts == 1


def test_an_answer_while_its_message_is_on_its_way_is_noted_behind_the_try(store: SqliteStore) -> None:
    """The other connection is quicker than the CA: the try is noted first, then the answer; nothing is lost and nothing is wrong."""
    message = oru("E0000M1")
    put(store, message)
    held = threading.Event()
    with MllpReceiver() as receiver:
        receiver.script(commit(held=held))

        async def whole() -> None:
            async with enhanced(store, receiver, waiting(60)) as (_, port):
                await asyncio.to_thread(receiver.wait_for, 1)
                answering = asyncio.create_task(answer_apart(port, message.payload, accept(wish="AL"), expected=1))
                await asyncio.sleep(0)
                assert states(store, message) == [S.SENDING]
                held.set()
                await answering
                assert states(store, message) == [S.ACCEPTED]

        run(whole)
        assert receiver.control_ids == ["E0000M1"]


@pytest.mark.parametrize(("code", "expected"), [("AA", S.ACCEPTED), ("AE", S.REFUSED)])
def test_an_answer_that_another_process_hears_waits_for_the_end_of_the_try(
    store: SqliteStore, code: str, expected: DeliveryState
) -> None:
    """Two on one store: one has not noted its CA yet when the other hears the second answer. It is not forgotten over the CA.

    A forgotten no would count as a yes where the receiver answers errors only.
    """
    message = oru("E0000M1")
    put(store, message)
    held = threading.Event()
    answer = Acknowledgement(answer=Answer.ACCEPTED if code == "AA" else Answer.REFUSED, code=code)
    with MllpReceiver() as receiver:
        receiver.script(commit(held=held))

        async def whole() -> None:
            async with enhanced(store, receiver, waiting(60)):
                await asyncio.to_thread(receiver.wait_for, 1)
                other = queue_of(store, Nobody(), waiting(60))
                hearing = asyncio.create_task(other.settle("E0000M1", answer))
                await asyncio.wait({hearing}, timeout=0.5)
                assert not hearing.done()  # so that the receiver is not told that its answer is kept
                held.set()
                assert await hearing
                assert states(store, message) == [expected]

        run(whole)
        assert receiver.control_ids == ["E0000M1"]


@pytest.mark.parametrize("ahead", [DAY, -DAY])
def test_a_clock_that_is_set_ends_no_wait_for_an_answer_and_makes_none_longer(store: SqliteStore, ahead: timedelta) -> None:
    """A day ahead is no answer that did not come: nobody is asked to look. A day back is no day more: the wait begins anew."""
    wall, message = Wall(), oru("E0000M1")
    put(store, message)
    queue = DestinationQueue(store, "record", Keeper(), waiting(900), bear=no_births, now=wall.now, jitter=lambda: 0.0)

    async def whole() -> None:
        async with running(queue, None):
            await until(lambda: states(store, message) == [S.COMMITTED])
            before = row(store, message).due_at
            assert before is not None
            wall.ahead = ahead
            queue.wake()
            await until(lambda: row(store, message).due_at != before)
            (state,), due = states(store, message), row(store, message).due_at
            assert state is S.COMMITTED
            assert due is not None
            assert timedelta() <= due - (before + ahead) < timedelta(seconds=60)  # the time that the test took
            assert await queue.settle("E0000M1", Acknowledgement(answer=Answer.ACCEPTED, code="AA"))
            assert states(store, message) == [S.ACCEPTED]

    run(whole)


def test_a_wait_that_ends_in_the_middle_of_a_look_is_ended_by_the_next(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the look at the waits and the queue's sleep a commit may pass: what fell due meanwhile is not slept over for a minute."""
    wall, message, look = Wall(), oru("E0000M1"), store.unanswered
    put(store, message)
    queue = DestinationQueue(store, "record", Keeper(), waiting(4), bear=no_births, now=wall.now, jitter=lambda: 0.0)
    is_slow = threading.Event()

    def slow(destination: str, *, now: datetime, limit: int) -> tuple[int, ...]:
        late = look(destination, now=now, limit=limit)
        if is_slow.is_set():
            wall.ahead = timedelta(seconds=4.5)  # less than what counts as a clock that was set
        return late

    monkeypatch.setattr(store, "unanswered", slow)

    async def whole() -> None:
        async with running(queue, None):
            await until(lambda: states(store, message) == [S.COMMITTED])
            is_slow.set()
            queue.wake()
            await until(lambda: states(store, message) == [S.EXPIRED])

    run(whole)


class Keeper:
    """A receiver that keeps everything, and says so."""

    async def send(self, message: Message) -> Acknowledgement:
        """Say CA."""
        del message
        return Acknowledgement(answer=Answer.COMMITTED, code="CA")


class Nobody:
    """A client of a queue that is only asked to note answers."""

    async def send(self, message: Message) -> Acknowledgement:
        """Be never asked."""
        raise AssertionError(message.control_id)


def test_a_restart_between_commit_and_answer_sends_nothing_again(store: SqliteStore) -> None:
    """The second service takes up the wait, not the message."""
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(commit())

        async def first() -> None:
            async with enhanced(store, receiver, waiting(60)):
                await until(lambda: states(store, message) == [S.COMMITTED])

        async def second() -> None:
            async with enhanced(store, receiver, waiting(60)) as (queue, _):
                assert await queue.settle("E0000M1", Acknowledgement(answer=Answer.ACCEPTED, code="AA"))
                assert not await queue.settle("E0000M404", Acknowledgement(answer=Answer.ACCEPTED, code="AA"))
                assert states(store, message) == [S.ACCEPTED]

        run(first)
        run(second)
        assert receiver.control_ids == ["E0000M1"]
