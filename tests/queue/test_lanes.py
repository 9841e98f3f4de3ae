"""The queue of one destination over the real store, against receivers that share no code with it."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import tempfile
import threading
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from concurrent.futures import Future
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge import clock
from bridge.deliver.fhir import FhirClient
from bridge.deliver.mllp import MllpClient
from bridge.errors import StoreFailed, StoreFull
from bridge.lifecycle.answers import Silence
from bridge.lifecycle.states import DestinationState, StopEnd, StopGroup
from bridge.model import Acknowledgement, Answer, CodedResult, DeliveryState, Message, Priority
from bridge.queue import lanes
from bridge.queue.lanes import Client, DestinationQueue
from bridge.queue.tries import Pace
from bridge.settings import FhirDestination, MllpDestination
from bridge.store.api import Store
from bridge.store.commands import BearMessage, Command, EndAttempt
from bridge.store.sqlite import SqliteStore
from tests.peers.fhir_receiver import FhirReceiver, Reply, turn_away
from tests.peers.mllp_receiver import MllpReceiver, accept, hang_up, silent
from tests.peers.mllp_receiver import turn_away as answer_no
from tests.peers.outgoing import bundle, oru
from tests.queue.stock import door, put, row, states, until
from tests.store import strips

S = DeliveryState
STAT = Priority.STAT


def pace(*, first: float = 0.02, longest: float = 0.2, give_up: float = 3600, in_flight: int = 1, lanes: int = 0) -> Pace:
    """Give a pace in seconds. ``lanes`` 0: no more are begun than are in flight."""
    return Pace(
        first=timedelta(seconds=first),
        longest=timedelta(seconds=longest),
        give_up=timedelta(seconds=give_up),
        lanes=lanes or in_flight,
        in_flight=in_flight,
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a real store in a folder of its own."""
    made = SqliteStore(tmp_path / "store", now=clock.now)
    yield made
    made.close()


def mllp(receiver: MllpReceiver, *, answer_s: float = 10.0) -> MllpClient:
    """Give a client for the receiver."""
    return MllpClient(MllpDestination(kind="mllp", name="record", host="127.0.0.1", port=receiver.port, answer_s=answer_s))


def fhir(server: FhirReceiver) -> FhirClient:
    """Give a client for the server."""
    settings_ = FhirDestination(kind="fhir", name="record", base_url=server.base_url, result_system="urn:t:result")
    return FhirClient(settings_, now=clock.now)


async def no_births(_: CodedResult) -> Message:
    """Bear nothing: these tests have no unborn message."""
    raise AssertionError("nothing was to be born")


def queue_of(
    store: Store, client: Client, pace_: Pace, *, bear: Callable[[CodedResult], Awaitable[Message | None]] = no_births
) -> DestinationQueue:
    """Give a queue without jitter."""
    return DestinationQueue(store, "record", client, pace_, bear=bear, now=clock.now, jitter=lambda: 0.0)


@contextlib.asynccontextmanager
async def running(queue: DestinationQueue, client: Any) -> AsyncIterator[asyncio.Task[None]]:
    """Run a queue beside the test, and end it with its client."""
    task = asyncio.create_task(queue.run())
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        if hasattr(client, "close"):
            await client.close()


def deliver(store: Store, client: Any, pace_: Pace, claim: Callable[[], bool]) -> None:
    """Run a queue until ``claim`` holds."""

    async def whole() -> None:
        queue = queue_of(store, client, pace_)
        async with running(queue, client) as task:
            await until(lambda: claim() or task.done())
            if task.done():
                await task

    asyncio.run(whole())


def all_over(store: Store, *messages: Message) -> Callable[[], bool]:
    """Say whether every message's delivery has ended or stopped."""
    return lambda: not set(states(store, *messages)) & {S.UNBORN, S.QUEUED, S.SENDING, S.RETRYING}


# --- a clock that is set


class Wall:
    """A clock on the wall that somebody may set."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def now(self) -> datetime:
        """Give what it shows."""
        return clock.now() + self.ahead


class Busy:
    """A receiver that says "later" as often as it is told, and sets the clock meanwhile."""

    def __init__(self, wall: Wall, *ahead: timedelta) -> None:
        self._wall = wall
        self._left = list(ahead)

    async def send(self, message: Message) -> Acknowledgement:
        """Answer, with the clock set before it."""
        del message
        if self._left:
            self._wall.ahead = self._left.pop(0)
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 207")
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")


DAY = timedelta(days=1)


@pytest.mark.parametrize("ahead", [(timedelta(), 2 * DAY, 2 * DAY), (2 * DAY, timedelta(), timedelta()), (-DAY, DAY, -DAY)])
def test_a_clock_that_is_set_neither_expires_a_message_nor_keeps_it_waiting(
    ahead: tuple[timedelta, ...], store: SqliteStore
) -> None:
    """A day ahead is no day of trying, and a wait that was reckoned a day ahead is not waited for."""
    wall, message = Wall(), oru("E0000M1")
    put(store, message)
    queue = DestinationQueue(
        store, "record", Busy(wall, *ahead), pace(give_up=86_400), bear=no_births, now=wall.now, jitter=lambda: 0.0
    )

    async def whole() -> None:
        async with running(queue, None) as task:
            await until(lambda: all_over(store, message)() or task.done())

    asyncio.run(whole())
    assert (states(store, message), row(store, message).attempts) == ([S.ACCEPTED], 4)


def test_a_clock_that_was_set_back_while_nothing_ran_keeps_nothing_waiting(store: SqliteStore) -> None:
    """A restart finds a wait that no settings allow: what was reckoned by the wrong clock is tried at once."""
    wall, message = Wall(), oru("E0000M1")
    wall.ahead = DAY
    put(store, message)
    first = queue_of(store, Busy(wall, DAY), pace(first=60, longest=60))
    first._now = wall.now

    async def whole() -> None:
        async with running(first, None):
            await until(lambda: states(store, message) == [S.RETRYING])
        wall.ahead = timedelta()
        second = queue_of(store, Busy(wall), pace(first=60, longest=60))
        async with running(second, None):
            await until(all_over(store, message))

    asyncio.run(whole())
    assert states(store, message) == [S.ACCEPTED]


def test_a_clock_that_is_set_back_in_the_middle_of_a_look_keeps_nothing_waiting(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between what a look finds due and its rest: the rest is reckoned by the look's own moment, and not a minute long."""
    wall, message = Wall(), oru("E0000M1")
    wall.ahead = DAY
    put(store, message)
    queue = DestinationQueue(
        store, "record", Busy(wall, DAY), pace(first=1, longest=1), bear=no_births, now=wall.now, jitter=lambda: 0.0
    )
    next_due = store.next_due

    def set_back(destination: str) -> datetime | None:
        due = next_due(destination)
        wall.ahead = timedelta()
        return due

    async def whole() -> None:
        async with running(queue, None):
            await until(lambda: states(store, message) == [S.RETRYING] and not queue._trying)
            monkeypatch.setattr(store, "next_due", set_back)
            queue.wake()
            await until(all_over(store, message))

    asyncio.run(whole())
    assert (states(store, message), wall.ahead) == ([S.ACCEPTED], timedelta())


# --- order


def test_a_stuck_message_holds_its_own_lane_only(store: SqliteStore) -> None:
    """One patient's results wait in order behind the one that is tried again; other patients' pass (promise 3)."""
    one = [oru(f"E0000M{n}", lane="P1") for n in (1, 2, 3)]
    other = [oru(f"E0000M{n}", lane="P2") for n in (4, 5)]
    for message in (*one, *other):
        put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(answer_no("AR", "207"))
        deliver(store, mllp(receiver), pace(first=0.5), all_over(store, *one, *other))
        assert receiver.control_ids == ["E0000M1", "E0000M4", "E0000M5", "E0000M1", "E0000M2", "E0000M3"]
        assert [row(store, message).attempts for message in one] == [2, 1, 1]
        assert states(store, *one, *other) == [S.ACCEPTED] * 5


class Refuser:
    """Takes what is not in ``later``, and of that says ``says``: later. Notes what it was sent, and calls ``then`` each time."""

    def __init__(self, later: set[str], then: Callable[[], object] = lambda: None, *, says: str = "AR 206") -> None:
        self.sent: list[str] = []
        self._says = says
        self._later = later
        self._then = then

    async def send(self, message: Message) -> Acknowledgement:
        self.sent.append(message.control_id)
        self._then()
        stuck = message.control_id in self._later
        return Acknowledgement(answer=Answer.TRY_AGAIN if stuck else Answer.ACCEPTED, code=self._says if stuck else "AA")


def test_many_stuck_lanes_hold_up_nobody_else(store: SqliteStore) -> None:
    """Twenty patients' messages are always due again, and older: every second try is another's all the same."""
    stuck = [oru(f"E0000S{n}", lane=f"S{n}") for n in range(20)]
    fresh = [oru(f"E0000F{n}", lane=f"F{n}") for n in range(10)]
    for message in (*stuck, *fresh):
        put(store, message)
    refuser = Refuser({message.control_id for message in stuck})
    deliver(store, refuser, pace(first=0.000_001, longest=0.000_001), all_over(store, *fresh))
    firsts = len({name for name in refuser.sent if name.startswith("E0000S")})
    assert len(refuser.sent) <= 2 * (firsts + len(fresh)) + 1


def test_silence_to_a_few_keeps_out_nobody_else(store: SqliteStore) -> None:
    """Seven messages that the receiver chokes on make it rest: the others get through all the same, by turns."""
    stuck = [oru(f"E0000S{n}", lane=f"S{n}") for n in range(7)]
    fresh = [oru(f"E0000F{n}", lane=f"F{n}") for n in range(10)]
    for message in (*stuck, *fresh):
        put(store, message)
    refuser = Refuser({message.control_id for message in stuck}, says=Silence.TIMEOUT)
    deliver(store, refuser, pace(first=0.000_001, longest=0.000_001), all_over(store, *fresh))
    assert {name for name in refuser.sent if name.startswith("E0000F")} == {message.control_id for message in fresh}


def test_routine_goes_on_through_a_flood_of_stat(store: SqliteStore) -> None:
    """Each STAT that is sent brings the next: an eighth of the tries is for the routine lanes all the same, in their order."""
    routine = [oru(f"E0000R{n}", lane=f"R{n}") for n in range(3)]
    flood = (oru(f"E0000U{n}", lane=f"U{n}", priority=STAT) for n in range(1000))
    for message in (*routine, next(flood), next(flood)):
        put(store, message)
    refuser = Refuser(set(), then=lambda: put(store, next(flood)))
    deliver(store, refuser, pace(), all_over(store, *routine))
    places = [refuser.sent.index(message.control_id) for message in routine]
    assert places == [7, 15, 23]


def test_stat_overtakes_other_patients_but_never_its_own(store: SqliteStore) -> None:
    """A lane is as urgent as its most urgent waiting message; inside it the earlier result still goes first. HZ-H12."""
    messages = [
        oru("E0000M1", lane="P1"),
        oru("E0000M2", lane="P2"),
        oru("E0000M3", lane="P3"),
        oru("E0000M4", lane="P3", priority=STAT),
        oru("E0000M5", lane="P4", priority=STAT),
    ]
    for message in messages:
        put(store, message)
    with MllpReceiver() as receiver:
        deliver(store, mllp(receiver), pace(), all_over(store, *messages))
        assert receiver.control_ids == ["E0000M3", "E0000M4", "E0000M5", "E0000M1", "E0000M2"]


def test_several_lanes_travel_at_once_but_never_two_of_one_lane(store: SqliteStore) -> None:
    """A FHIR server takes a few at a time; a patient's second result waits for the first one's answer."""
    first = [bundle(f"E0000M{n}", lane=f"P{n}", device=f"dev-{n}") for n in (1, 2, 3)]
    second = [bundle(f"E0000M{n + 3}", lane=f"P{n}", device=f"dev-{n}") for n in (1, 2, 3)]
    for message in (*first, *second):
        put(store, message)
    together = threading.Event()

    async def whole(server: FhirReceiver) -> None:
        client = fhir(server)
        async with running(queue_of(store, client, pace(in_flight=3)), client):
            await until(lambda: len(server.posted) == 3)
            assert states(store, *first, *second) == [S.SENDING] * 3 + [S.QUEUED] * 3
            together.set()
            await until(all_over(store, *first, *second))

    with FhirReceiver() as server:
        server.script(*[Reply(held=together)] * 3)
        asyncio.run(whole(server))
        assert server.busiest == 3
        assert {posted.body for posted in server.posted[:3]} == {message.payload for message in first}
        assert len(server.of("Observation")) == 6


# --- answers


@pytest.mark.parametrize("lost", [hang_up(stored=True), silent(stored=True)])
def test_a_lost_answer_sends_the_same_bytes_again(store: SqliteStore, lost: Any) -> None:
    """The receiver filed it and its answer was lost: same control ID, same bytes, filed once (promise 2). HZ-H02."""
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(lost)
        deliver(store, mllp(receiver, answer_s=0.3), pace(), all_over(store, message))
        assert [received.payload for received in receiver.received] == [message.payload] * 2
        assert receiver.durable == [message.payload]
    assert row(store, message).attempts == 2


def test_a_refusal_opens_a_stop_and_the_lane_goes_on(store: SqliteStore) -> None:
    """The receiver's own words are on the page, and the patient's next result is not held back by it. HZ-H05."""
    messages = [oru("E0000M1"), oru("E0000M2")]
    first = put(store, messages[0])
    put(store, messages[1])
    with MllpReceiver() as receiver:
        receiver.script(answer_no("AE", "204", "No patient of that number"))
        deliver(store, mllp(receiver), pace(), all_over(store, *messages))
    assert states(store, *messages) == [S.REFUSED, S.ACCEPTED]
    (stop,) = store.stops(group=StopGroup.REFUSED)
    assert (stop.delivery_id, stop.rule, stop.destination) == (first, "deliver.refused", "record")
    assert stop.sentence == "record turned this result away (AE 204)."
    assert stop.receiver_words == "No patient of that number; 204"


def test_a_message_tried_for_too_long_is_stopped_and_the_lane_goes_on(store: SqliteStore) -> None:
    """Bounded: after the limit a person looks, told that the receiver may hold the result. HZ-H05."""
    messages = [oru("E0000M1"), oru("E0000M2")]
    for message in messages:
        put(store, message)
    with MllpReceiver() as receiver:
        receiver.decide = lambda got: answer_no("AR", "207", "Busy") if got.control_id == "E0000M1" else answer_no("AE")
        deliver(store, mllp(receiver), pace(give_up=0.25), all_over(store, *messages))
        tries = receiver.control_ids.count("E0000M1")
        times = [got.at_s for got in receiver.received if got.control_id == "E0000M1"]
    assert states(store, *messages) == [S.EXPIRED, S.REFUSED]
    assert row(store, messages[0]).attempts == tries
    # first attempt, then 20, 40, 80, 160 ms later: the fifth try is the first one at or after 250 ms; a slow machine makes fewer
    assert 3 <= tries <= 5
    assert times[-1] - times[0] >= 0.2
    expired = store.stops(rule="deliver.expired")
    assert [stop.sentence for stop in expired] == ["record did not take this result for 1 hour; the last answer was: AR 207."]
    assert expired[0].receiver_words == "Busy; 207"


def test_an_edit_conflict_is_refused_at_the_third(store: SqliteStore) -> None:
    """409 is tried a few times, then a person looks; other answers in between start the count anew."""
    message = bundle("E0000M1")
    put(store, message)
    with FhirReceiver() as server:
        server.script(turn_away(409), turn_away(409), turn_away(503), turn_away(409), turn_away(409), turn_away(409))
        deliver(store, fhir(server), pace(longest=0.02), all_over(store, message))
        assert len(server.posted) == 6
    assert states(store, message) == [S.REFUSED]
    assert [stop.sentence for stop in store.stops()] == ["record turned this result away (HTTP 409)."]


def test_retry_after_rests_the_whole_destination(store: SqliteStore) -> None:
    """429 concerns the sender, not the message: no other lane knocks before its time either."""
    messages = [bundle(f"E0000M{n}", lane=f"P{n}") for n in (1, 2, 3)]
    for message in messages:
        put(store, message)
    with FhirReceiver() as server:
        server.script(turn_away(429, b"", Retry_After="1"))
        deliver(store, fhir(server), pace(), all_over(store, *messages))
        times = [posted.at_s for posted in server.posted]
        assert len(times) == 4
        assert times[1] - times[0] >= 0.95  # one second from our reading of the answer, less the clocks' grain
    assert states(store, *messages) == [S.ACCEPTED] * 3


# --- begun, and not sent yet


def test_stat_is_sent_before_routine_that_has_begun(store: SqliteStore) -> None:
    """Many tries share the commits of their beginnings, but one message is with the receiver: an urgent strip is the next, whoever began first. HZ-H12."""
    routine = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(1, 9)]
    for message in routine:
        put(store, message)
    held = threading.Event()

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace(lanes=20))
        async with running(queue, client):
            await until(lambda: states(store, *routine) == [S.SENDING] * 8 and len(receiver.received) == 1)
            put(store, urgent)
            queue.wake()
            await until(lambda: states(store, urgent) == [S.SENDING])
            held.set()
            await until(all_over(store, *routine, urgent))

    urgent = oru("E0000M9", lane="P9", priority=STAT)
    with MllpReceiver() as receiver:
        receiver.script(accept(held=held))
        asyncio.run(whole(receiver))
        assert [got.control_id for got in receiver.received] == ["E0000M1", "E0000M9", *[f"E0000M{n}" for n in range(2, 9)]]
        assert receiver.connections == 1


def test_a_door_that_closes_keeps_back_what_has_begun(store: SqliteStore) -> None:
    """Only the first of the begun met the closed door; the others were never sent, and their tries do not count."""
    messages = [bundle(f"E0000M{n}", lane=f"P{n}") for n in range(1, 6)]
    for message in messages:
        put(store, message)

    async def whole(server: FhirReceiver) -> None:
        client = fhir(server)
        async with running(queue_of(store, client, pace(first=1.5, longest=1.5, lanes=20)), client):
            await until(lambda: states(store, *messages) == [S.RETRYING] * 5)
            assert len(server.posted) == 1
            assert [row(store, message).attempts for message in messages] == [0] * 5
            assert [row(store, message).last_code for message in messages] == ["HTTP 403", *["kept back"] * 4]
            server.decide = lambda _: Reply()
            await until(all_over(store, *messages))

    with FhirReceiver() as server:
        server.decide = lambda _: turn_away(403)
        asyncio.run(whole(server))
    assert states(store, *messages) == [S.ACCEPTED] * 5
    assert [row(store, message).attempts for message in messages] == [1] * 5


def test_a_destination_that_is_shut_gets_nothing_that_has_begun(store: SqliteStore) -> None:
    """Whoever shuts a destination means at once: what is with the receiver is let finish, what only waits for its turn is not sent."""
    messages = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(1, 5)]
    for message in messages:
        put(store, message)
    held = threading.Event()

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace(lanes=20))
        async with running(queue, client):
            await until(lambda: states(store, *messages) == [S.SENDING] * 4 and len(receiver.received) == 1)
            queue.shut("Nobody has signed its tables.")
            held.set()
            await until(lambda: states(store, *messages) == [S.ACCEPTED, *[S.RETRYING] * 3])
            queue.open()
            await until(all_over(store, *messages))

    with MllpReceiver() as receiver:
        receiver.script(accept(held=held))
        asyncio.run(whole(receiver))
        assert [got.control_id for got in receiver.received] == [f"E0000M{n}" for n in range(1, 5)]


def test_a_service_that_stops_sends_nothing_that_has_only_begun(store: SqliteStore) -> None:
    """The answer on its way is awaited; the rest goes after the next start, as if it had never begun."""
    messages = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(1, 5)]
    for message in messages:
        put(store, message)
    held = threading.Event()

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        async with running(queue_of(store, client, pace(lanes=20)), client):
            await until(lambda: states(store, *messages) == [S.SENDING] * 4 and len(receiver.received) == 1)
            asyncio.get_running_loop().call_later(0.1, held.set)

    with MllpReceiver() as receiver:
        receiver.script(accept(held=held))
        asyncio.run(whole(receiver))
        assert [got.control_id for got in receiver.received] == ["E0000M1"]
    assert states(store, *messages) == [S.ACCEPTED, *[S.RETRYING] * 3]
    assert [row(store, message).attempts for message in messages] == [1, 0, 0, 0]


# --- doors


def test_a_closed_destination_consumes_nothing_and_opens_again(store: SqliteStore) -> None:
    """Bad rights are the destination's fault, not the messages': one row with a reason, one head knocks at growing intervals."""
    messages = [bundle(f"E0000M{n}", lane=f"P{n}") for n in (1, 2, 3)]
    for message in messages:
        put(store, message)

    async def whole(server: FhirReceiver) -> None:
        client = fhir(server)
        async with running(queue_of(store, client, pace(first=0.1, longest=5, give_up=0.05, in_flight=3)), client):
            await until(lambda: len(server.posted) >= 4)
            await until(lambda: door(store).state is DestinationState.CLOSED and row(store, messages[0]).state is S.RETRYING)
            assert door(store).reason == "HTTP 403: Signed in, but not allowed to write there."
            assert (door(store).waiting, door(store).refused) == (3, 0)
            assert [row(store, message).attempts for message in messages] == [0, 0, 0]
            assert store.stops() == ()
            server.decide = lambda _: Reply()
            await until(all_over(store, *messages))
            await until(lambda: door(store).state is DestinationState.OPEN)

    with FhirReceiver() as server:
        server.decide = lambda _: turn_away(403)
        asyncio.run(whole(server))
        knocks = [posted for posted in server.posted if posted.body == messages[0].payload]
        gaps = [later.at_s - earlier.at_s for earlier, later in itertools.pairwise(knocks)]
        # of the three that met the closed door side by side only the first counted as the first knock
        assert all(gap >= wait for gap, wait in zip(gaps, (0.09, 0.19, 0.39), strict=False)), gaps
    assert states(store, *messages) == [S.ACCEPTED] * 3
    assert [row(store, message).attempts for message in messages] == [1, 1, 1]
    assert [(event.after, event.reason) for event in store.events("destination:record")] == [
        ("open", ""),
        ("closed", "HTTP 403: Signed in, but not allowed to write there."),
        ("open", ""),
    ]


def test_time_before_a_closed_door_does_not_count_as_trying(store: SqliteStore) -> None:
    """A message that had a real try before the door closed is not given up on the day the door opens again."""
    message = bundle("E0000M1")
    put(store, message)
    with FhirReceiver() as server:
        server.script(turn_away(503), *[turn_away(403)] * 3, turn_away(503), turn_away(422), turn_away(500))
        deliver(store, fhir(server), pace(first=0.1, longest=0.1, give_up=0.3), all_over(store, message))
        assert len(server.posted) == 6
    assert states(store, message) == [S.REFUSED]  # by the 422; without the rule the second 503 would have expired it


def test_nobody_there_is_one_knock_for_all_lanes_and_shown(store: SqliteStore) -> None:
    """A receiver that is off is called by one head at a time, eight of them by turns; the destination's row says why the rest waits."""
    messages = [oru(f"E0000M{n}", lane=f"P{n}") for n in range(10, 20)]
    for message in messages:
        put(store, message)

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        async with running(queue_of(store, client, pace()), client):
            await until(lambda: row(store, messages[0]).attempts >= 3)
            await until(lambda: door(store).reason != "")
            assert door(store).state is DestinationState.RESTING
            assert door(store).reason.startswith("no connection: Nobody takes the call")
            assert [row(store, message).attempts for message in messages[8:]] == [0, 0]
            await asyncio.to_thread(receiver.come_back)
            await until(all_over(store, *messages))
            await until(lambda: door(store).state is DestinationState.OPEN and door(store).reason == "")

    with MllpReceiver() as receiver:
        receiver.go_away()
        asyncio.run(whole(receiver))
        assert sorted(receiver.control_ids) == [message.control_id for message in messages]


def test_a_receiver_in_trouble_is_asked_by_one_message_at_a_time(store: SqliteStore) -> None:
    """503 to everybody: after five in a row the rest waits, the row says so, and the STAT one is the first to try. HZ-H08."""
    messages = [bundle(f"E0000M{n}", lane=f"P{n}") for n in range(1, 8)]
    for message in messages:
        put(store, message)

    async def whole(server: FhirReceiver) -> None:
        client = fhir(server)
        queue = queue_of(store, client, pace(first=0.1, longest=0.1, in_flight=4))
        async with running(queue, client):
            await until(lambda: door(store).state is DestinationState.RESTING)
            assert door(store).reason == "HTTP 503: The server is in trouble; Retry-After is honoured for the whole destination."
            put(store, bundle("E0000M9", lane="P9", priority=STAT))
            queue.wake()
            asked = len(server.posted)
            await until(lambda: len(server.posted) >= asked + 3)
            server.decide = lambda _: Reply()
            await until(all_over(store, *messages))
            await until(lambda: door(store).state is DestinationState.OPEN)
            assert queue.next_try is None

    with FhirReceiver() as server:
        server.decide = lambda _: turn_away(503)
        asyncio.run(whole(server))
        assert b"E0000M9" in b"".join(posted.body for posted in server.posted)
    assert states(store, *messages) == [S.ACCEPTED] * 7


def test_one_message_that_a_server_cannot_digest_keeps_nobody_out(store: SqliteStore) -> None:
    """500 to one message alone: others pass at once while it is tried again, and the receiver never rests for it. HZ-H05."""
    poison, others = bundle("E0000M1", lane="P1"), [bundle(f"E0000M{n}", lane=f"P{n}") for n in range(2, 12)]
    for message in (poison, *others):
        put(store, message)
    with FhirReceiver() as server:
        server.decide = lambda got: turn_away(500) if b'E0000M1"' in got.body else Reply()
        deliver(store, fhir(server), pace(first=0.01, longest=0.01), all_over(store, *others))
    assert states(store, *others) == [S.ACCEPTED] * 10
    assert row(store, poison).state in {S.SENDING, S.RETRYING}


def test_a_poisoned_message_alone_with_others_behind_a_rest_is_passed(store: SqliteStore) -> None:
    """The first to try cannot be digested: the next try is another's, so the receiver is found to be back."""
    poison = bundle("E0000M1", lane="P1")
    put(store, poison)

    async def whole(server: FhirReceiver) -> None:
        client = fhir(server)
        queue = queue_of(store, client, pace(first=0.02, longest=0.05))
        async with running(queue, client):
            await until(lambda: door(store).state is DestinationState.RESTING)
            other = bundle("E0000M2", lane="P2")
            put(store, other)
            queue.wake()
            await until(lambda: states(store, other) == [S.ACCEPTED])

    with FhirReceiver() as server:
        server.decide = lambda got: turn_away(500) if b'E0000M1"' in got.body else Reply()
        asyncio.run(whole(server))


def test_a_shut_destination_sends_nothing(store: SqliteStore) -> None:
    """A plan that fails its checks sends nothing, and the row says so; nothing is lost by it."""
    message = oru("E0000M1")

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace())
        queue.shut("Its messages fail their checks: OBX-5")
        async with running(queue, client):
            await until(lambda: bool(store.destinations()))
            await asyncio.to_thread(put, store, message)
            queue.wake()
            await until(lambda: not queue._woken.is_set())
            assert (door(store).state, door(store).reason) == (DestinationState.SHUT, "Its messages fail their checks: OBX-5")
            assert states(store, message) == [S.QUEUED]
            assert receiver.connections == 0
            assert queue.shut_because == "Its messages fail their checks: OBX-5"
            queue.open()
            assert queue.shut_because == ""
            await until(all_over(store, message))
            assert door(store).state is DestinationState.OPEN

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
        assert receiver.control_ids == ["E0000M1"]


def test_unborn_messages_are_made_when_it_opens_and_keep_their_order(store: SqliteStore) -> None:
    """Results of the time when the plan was not checked yet are rendered then, and go before later ones of the patient."""
    unborn = [oru("E0000M1"), oru("E0000M2")]
    for message in unborn:
        put(store, message, born=False)
    later = oru("E0000M3")
    put(store, later)
    made = {message.result_id: message for message in unborn}

    async def bear(result: CodedResult) -> Message:
        return made[result.result_id]

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace(), bear=bear)
        async with running(queue, client):
            await until(all_over(store, *unborn, later))

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
        assert receiver.durable == [message.payload for message in (*unborn, later)]


def test_what_its_destination_takes_no_more_is_ended_and_holds_up_nothing(store: SqliteStore) -> None:
    """A control whose message was never made: the settings ask for none any more, and what is behind it in the lane goes."""
    withheld, later = oru("E0000M1"), oru("E0000M2")
    put(store, withheld, born=False)
    put(store, later)

    async def bear(_: CodedResult) -> None:
        return None

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        async with running(queue_of(store, client, pace(), bear=bear), client):
            await until(all_over(store, withheld, later))

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
        assert receiver.durable == [later.payload]
    assert states(store, withheld, later) == [S.DISCARDED, S.ACCEPTED]
    made, ended = store.events(f"delivery:{row(store, withheld).delivery_id}")
    assert (made.after, ended.what, ended.after, ended.actor) == ("unborn", "delivery.withhold", "discarded", "padpost")
    assert store.stops() == ()


class Willing:
    """A receiver that takes everything."""

    def __init__(self) -> None:
        self.got: list[str] = []

    async def send(self, message: Message) -> Acknowledgement:
        """Note it and accept."""
        self.got.append(message.result_id)
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")


def test_what_a_person_sets_aside_while_its_message_is_made_holds_up_nothing(store: SqliteStore) -> None:
    """Corrected in that very moment, since another receiver refused it: no defect, and what is on its way is not cut off."""
    chart, _ = strips.post(store, "R1", destinations=("chart", "record"), born=False).delivery_ids
    message = strips.message(strips.result("R1"), "C1", destination="chart")
    store.submit(BearMessage(delivery_id=chart, message=message, at=clock.now())).result(10)
    strips.attempt(store, chart, Answer.REFUSED)
    strips.post(store, "R2", destinations=("record",))

    async def bear(_: CodedResult) -> Message:
        (stop,) = store.stops()
        strips.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        return strips.message(strips.result("R1"), "C2", destination="record")

    async def whole() -> None:
        client = Willing()
        running_ = asyncio.create_task(queue_of(store, client, pace(), bear=bear).run())
        await until(lambda: running_.done() or strips.states(store, "R2")["record"] is S.ACCEPTED)
        assert not running_.done()
        running_.cancel()
        await asyncio.gather(running_, return_exceptions=True)
        assert client.got == ["R2"]

    asyncio.run(whole())
    assert strips.states(store, "R1") == {"chart": S.SUPERSEDED, "record": S.SUPERSEDED}


# --- wake-ups


class Counted:
    """The real store, counting looks."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.looks = 0

    def __getattr__(self, name: str) -> Any:
        self.looks += name == "lane_heads"
        return getattr(self._store, name)


def test_an_idle_queue_does_not_poll_and_a_wake_is_heard_at_once(store: SqliteStore) -> None:
    """Nothing to do costs nothing; a new delivery is looked for when the service says so."""
    counted = Counted(store)
    message = oru("E0000M1")

    async def whole(receiver: MllpReceiver) -> int:
        client = mllp(receiver)
        queue = queue_of(cast("Store", counted), client, pace())
        async with running(queue, client):
            await until(lambda: counted.looks == 1)
            await asyncio.sleep(0.4)  # idle: the claim is that nothing happens in this time
            idle = counted.looks
            await asyncio.to_thread(put, store, message)
            queue.wake()
            await until(all_over(store, message))
        return idle

    with MllpReceiver() as receiver:
        assert asyncio.run(whole(receiver)) == 1


def test_a_try_that_falls_due_wakes_by_itself(store: SqliteStore) -> None:
    """Nobody calls wake() for a back-off: the queue sleeps exactly until it is due."""
    counted = Counted(store)
    message = oru("E0000M1")
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(answer_no("CE"))
        deliver(cast("Store", counted), mllp(receiver), pace(first=0.4, longest=0.4), all_over(store, message))
        gap = receiver.received[1].at_s - receiver.received[0].at_s
    assert 0.4 <= gap < 1.4
    assert counted.looks <= 6  # begin, end, due, end; and at most two for wake-ups that meet


# --- stops and faults of our own


def test_an_answer_on_its_way_is_still_noted_when_the_service_stops(store: SqliteStore) -> None:
    """A stop waits a moment for what is in flight, which saves sending it twice."""
    message = oru("E0000M1")
    put(store, message)
    answer_now = threading.Event()

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        task = asyncio.create_task(queue_of(store, client, pace()).run())
        await asyncio.to_thread(receiver.wait_for, 1)
        task.cancel()
        asyncio.get_running_loop().call_later(0.1, answer_now.set)
        await asyncio.gather(task, return_exceptions=True)
        await client.close()

    with MllpReceiver() as receiver:
        receiver.script(accept(held=answer_now))
        asyncio.run(whole(receiver))
    assert states(store, message) == [S.ACCEPTED]


def test_a_try_cut_by_the_end_of_the_service_goes_again_as_it_was(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer within the grace: noted as interrupted, due at once, the same bytes and control ID in the next run."""
    monkeypatch.setattr(lanes, "GRACE_S", 0.05)
    message = oru("E0000M1")
    put(store, message)

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        async with running(queue_of(store, client, pace()), client):
            await asyncio.to_thread(receiver.wait_for, 1)

    with MllpReceiver() as receiver:
        receiver.script(silent(stored=True))
        asyncio.run(whole(receiver))
        asyncio.run(until(lambda: row(store, message).state is S.RETRYING))
        assert row(store, message).last_code == "interrupted"
        deliver(store, mllp(receiver), pace(), all_over(store, message))
        assert [got.payload for got in receiver.received] == [message.payload] * 2
        assert receiver.durable == [message.payload]
    assert (row(store, message).state, row(store, message).attempts) == (S.ACCEPTED, 2)


def test_a_crash_in_mid_air_goes_again_as_it_was(tmp_path: Path) -> None:
    """The store is opened anew on what a killed process left: begun, never ended; the same bytes go again."""
    message = oru("E0000M1")
    store = SqliteStore(tmp_path, now=clock.now)
    put(store, message)
    with MllpReceiver() as receiver:
        receiver.script(silent(stored=True))

        async def killed() -> None:
            client = mllp(receiver)
            task = asyncio.create_task(queue_of(Deaf(store), client, pace()).run())
            await asyncio.to_thread(receiver.wait_for, 1)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            await client.close()

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(lanes, "GRACE_S", 0.01)
            asyncio.run(killed())
        assert states(store, message) == [S.SENDING]
        store.close()
        store = SqliteStore(tmp_path, now=clock.now)
        deliver(store, mllp(receiver), pace(), all_over(store, message))
        store.close()
        assert [got.payload for got in receiver.received] == [message.payload] * 2
        assert receiver.durable == [message.payload]


class Deaf:
    """The real store, which loses every EndAttempt: what a killed process would not have sent any more."""

    fault = ""

    def __init__(self, store: Store) -> None:
        self._store = store

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def submit(self, command: Command) -> Future[Any]:
        """Drop the end of a try."""
        return Future() if isinstance(command, EndAttempt) else self._store.submit(command)


class FullOnce(Deaf):
    """The real store on a disk that is full when the first try ends."""

    full = True

    def submit(self, command: Command) -> Future[Any]:
        """Have no room once."""
        if not isinstance(command, EndAttempt) or not self.full:
            return self._store.submit(command)
        self.full = False
        future: Future[Any] = Future()
        future.set_exception(StoreFull("The disk is full; nothing was written."))
        return future


def test_an_answer_that_the_disk_had_no_room_for_is_noted_when_it_has(store: SqliteStore) -> None:
    """The loop says that the store failed; run again, it first notes what is owed, and nothing is sent twice."""
    messages = [oru("E0000M1"), oru("E0000M2")]
    for message in messages:
        put(store, message)

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(cast("Store", FullOnce(store)), client, pace())
        with pytest.raises(StoreFull, match="The disk is full"):
            await asyncio.wait_for(queue.run(), 10)
        assert states(store, *messages) == [S.SENDING, S.QUEUED]
        async with running(queue, client):
            await until(all_over(store, *messages))

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
        assert receiver.control_ids == ["E0000M1", "E0000M2"]
    assert [row(store, message).attempts for message in messages] == [1, 1]


def test_a_store_that_failed_ends_the_loop(tmp_path: Path) -> None:
    """After a failed write nothing may be sent: its attempt could not be noted."""
    store = SqliteStore(tmp_path, now=clock.now)
    message = oru("E0000M1")

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, client, pace())
        task = asyncio.create_task(queue.run())
        await until(lambda: bool(store.destinations()))
        await asyncio.to_thread(put, store, message)
        store._writer.fault = "Writing to the store failed (scripted)."
        queue.wake()
        with pytest.raises(StoreFailed, match="scripted"):
            await asyncio.wait_for(task, 10)
        await client.close()

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
        assert receiver.connections == 0
    store.close()


class Defective:
    """A client with a defect, once."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._defect = True

    async def send(self, message: Message) -> Acknowledgement:
        """Fall over the first time."""
        if self._defect:
            self._defect = False
            raise ZeroDivisionError
        return await self._client.send(message)


def test_a_defect_of_our_own_never_strands_a_message(store: SqliteStore) -> None:
    """The loop falls over loudly, the try is noted, and the message goes when the loop runs again."""
    message = oru("E0000M1")
    put(store, message)

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = queue_of(store, Defective(client), pace())
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(queue.run(), 10)
        async with running(queue, client):
            await until(all_over(store, message))

    with MllpReceiver() as receiver:
        asyncio.run(whole(receiver))
    assert (row(store, message).state, row(store, message).attempts) == (S.ACCEPTED, 2)


# --- any script of answers


SCRIPTED = st.sampled_from(
    [
        Acknowledgement(answer=Answer.ACCEPTED, code="AA"),
        Acknowledgement(answer=Answer.ACCEPTED, code="AA"),
        Acknowledgement(answer=Answer.REFUSED, code="AE"),
        Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 207"),
        Acknowledgement(answer=Answer.TRY_AGAIN, code="timeout"),
        Acknowledgement(answer=Answer.TRY_AGAIN, code="no connection"),
        Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 409"),
        Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 503", retry_after_s=0.002),
        Acknowledgement(answer=Answer.CLOSED, code="HTTP 403"),
    ]
)


class ScriptedClient:
    """Plays a receiver in memory: gives scripted answers, then accepts; watches what is in flight."""

    def __init__(self, script: list[Acknowledgement], most: int) -> None:
        self._script = script
        self._most = most
        self._in_flight: list[Message] = []
        self.sent: list[tuple[Message, Acknowledgement]] = []

    async def send(self, message: Message) -> Acknowledgement:
        """Answer by the script."""
        self._in_flight.append(message)
        lanes_ = [flying.lane for flying in self._in_flight]
        assert len(lanes_) == len(set(lanes_)) <= self._most
        await asyncio.sleep(0)
        answer = self._script.pop(0) if self._script else Acknowledgement(answer=Answer.ACCEPTED, code="AA")
        self._in_flight.remove(message)
        self.sent.append((message, answer))
        return answer


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    patients=st.lists(st.tuples(st.integers(min_value=1, max_value=3), st.booleans()), min_size=1, max_size=6),
    script=st.lists(SCRIPTED, max_size=14),
    most=st.integers(min_value=1, max_value=3),
)
def test_any_script_of_answers_keeps_order_and_loses_nothing(
    patients: list[tuple[int, bool]], script: list[Acknowledgement], most: int
) -> None:
    """Whatever the receiver answers: strict order in a lane, one in flight a lane, every message ends, the same bytes each try. HZ-H01, HZ-H06."""
    messages = [
        oru(f"E0000M{n}", lane=f"P{patient}", priority=STAT if urgent else Priority.ROUTINE)
        for n, (patient, urgent) in enumerate(patients, 1)
    ]
    client = ScriptedClient(list(script), most)
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder), now=clock.now)
        for message in messages:
            put(store, message)
        deliver(store, client, pace(first=0.001, longest=0.004, in_flight=most), all_over(store, *messages))
        found = [row(store, message) for message in messages]
        stops = store.stops()
        store.close()

    tries: dict[str, list[Acknowledgement]] = defaultdict(list)
    by_lane: dict[str, list[str]] = defaultdict(list)
    for message, answer in client.sent:
        assert message.payload == next(m.payload for m in messages if m.control_id == message.control_id)
        tries[message.control_id].append(answer)
        by_lane[message.lane].append(message.control_id)
    for lane, sent in by_lane.items():  # strictly by birth: once a later one goes, the earlier one never does
        assert list(dict.fromkeys(sent)) == [m.control_id for m in messages if m.lane == lane]
        assert [control_id for control_id, _ in itertools.groupby(sent)] == list(dict.fromkeys(sent))
    for delivery in found:
        answers = tries[delivery.control_id]
        last = answers[-1]
        refused = last.answer is Answer.REFUSED or last.code == "HTTP 409"
        assert delivery.state is (S.REFUSED if refused else S.ACCEPTED)
        assert delivery.attempts == sum(answer.answer is not Answer.CLOSED for answer in answers)
    assert len(stops) == sum(delivery.state is S.REFUSED for delivery in found)


def test_the_clock_of_a_look_is_read_once(store: SqliteStore) -> None:
    """What falls due between two readings of the clock in one look must not be slept over for a minute."""
    message = oru("E0000M1")
    put(store, message)
    jumps: list[datetime] = []

    def jumpy() -> datetime:
        """Give a clock on which every reading is 30 ms after the last: due times fall between any two readings."""
        jumps.append(clock.now())
        return jumps[0] + timedelta(milliseconds=30) * len(jumps)

    async def whole(receiver: MllpReceiver) -> None:
        client = mllp(receiver)
        queue = DestinationQueue(store, "record", client, pace(), bear=no_births, now=jumpy, jitter=lambda: 0.0)
        async with running(queue, client):
            await until(all_over(store, message))

    with MllpReceiver() as receiver:
        receiver.script(*[answer_no("CE")] * 6)
        asyncio.run(whole(receiver))
        assert len(receiver.received) == 7
