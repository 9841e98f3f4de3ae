"""One destination's queue: lanes in strict order, begun durably before the first byte leaves."""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Protocol

import structlog

from bridge.errors import LeaseLost, Overtaken, StoreError, StoreFailed, StoreUnsure
from bridge.lifecycle.answers import (
    LONGEST_RETRY_AFTER_S,
    Silence,
    no_answer,
)
from bridge.lifecycle.circuit import Circuit
from bridge.lifecycle.fairness import ASKERS
from bridge.lifecycle.states import DestinationState
from bridge.model import Acknowledgement, CodedResult, DeliveryState, Message, Priority
from bridge.queue.clock_watch import ClockWatch
from bridge.queue.committed import Committed
from bridge.queue.door import Door
from bridge.queue.leases import FREE, Grip
from bridge.queue.offers import Offer
from bridge.queue.owed import Owed
from bridge.queue.patience import Patience
from bridge.queue.places import Places
from bridge.queue.tries import At, Begun, Conflicts, Pace, asker, ended
from bridge.queue.turns import Turns
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import (
    BearMessage,
    BeginAttempt,
    Command,
    EndAttempt,
    HurryWaiting,
    RecoverDeliveries,
    SetDestination,
    WithholdDelivery,
)
from bridge.store.rows import LaneHead

log = structlog.get_logger()

LONGEST_LOOK = timedelta(seconds=60)  # ours: a lane that waits for another destination's delivery is looked at again after this
BIRTHS_AT_ONCE = 100  # ours: unborn messages made in one go before lanes are looked at
URGENT_PLACES = 8  # ours: urgent messages that begin with their making where all places are taken; the next turns are theirs
LONGEST_PAUSE_S = 0.2  # ours: a few commits of a slow disk, behind which places come free; little beside a technician's look
GRACE_S = 2.0  # ours: a stopping service waits this long for answers on their way, which saves sending those messages twice


class Client(Protocol):
    """What sends messages to one receiver."""

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; give what came of it."""


class DestinationQueue:
    """Takes lane heads as they may go, tries them, and notes what came of it. ``run`` ends only by cancellation or a store fault.

    A destination that is closed consumes nothing: one head at a time knocks at growing intervals until it is let in. A receiver
    that gives nobody an answer is knocked at in the same way, since every lane would meet the same silence.
    """

    def __init__(  # noqa: PLR0913 - the parts of a queue, all given by the composition root
        self,
        store: Store,
        name: str,
        client: Client,
        pace: Pace,
        *,
        bear: Callable[[CodedResult], Awaitable[Message | None]],
        now: Callable[[], datetime],
        jitter: Callable[[], float],
        grip: Grip = FREE,
    ) -> None:
        """``grip`` is asked before each step: who has lost the destination to another process neither sends nor marks."""
        self._store = store
        self._grip = grip
        self._name = name
        self._client = client
        self._pace = pace
        self._bear = bear
        self._now = now
        self._jitter = jitter
        self._woken = asyncio.Event()
        self._trying: dict[str, asyncio.Task[None]] = {}  # by control ID
        self._busy: set[int] = set()  # the deliveries of these tries: no look begins them once more
        self._beginning: set[int] = set()  # of these the store may still say that they wait
        self._faults: list[BaseException] = []
        self._turns = Turns(pace.in_flight)
        self._ahead = max(pace.lanes, pace.ahead)
        self._places = Places(self._ahead)  # for what begins with its making; what a look begins takes them as well
        self._run = 0
        self._is_taking = self._is_leaving = False
        self._may_wait = True  # whether the store may have something that could go; False: all that could has begun
        self._urgent_waits = False
        # tries under way, by lane: more than one where the end of the first is noted already
        self._tried_in: Counter[str] = Counter()
        self._followed: set[str] = set()  # lanes with a try under way behind which the store may have more
        self._turn = 0  # tries begun so far
        self._asked: deque[int] = deque(maxlen=ASKERS)  # who asked last while the receiver gave nobody an answer
        self._conflicts = Conflicts()
        self._committed = Committed(store, name, pace, now)
        self._shut = self._paused = ""
        self._door = Door(first=pace.first, longest=pace.longest)
        self._patience = Patience()
        self._told: tuple[DestinationState, str] | None = None
        self._owed = Owed(store)
        self._clock: ClockWatch | None = None
        self._hurry_beyond: datetime | None = None
        self._was_set = False

    def wake(self) -> None:
        """Look again at once."""
        self._may_wait = True
        self._woken.set()

    def came(self) -> None:
        """Hear that a delivery was made which waits in the store; it is looked at once there is room for it."""
        self._may_wait = True
        if self._has_room_for_a_look():
            self._woken.set()

    def offer(self, message: Message) -> Offer | None:
        """Give leave to begin the first try of ``message`` with its making, where it would begin at once anyhow.

        Nothing else may wait in the store then, but an urgent message only lets urgent ones go first, and has a few places more.
        """
        is_urgent = message.priority is Priority.STAT
        waits, places = (self._urgent_waits, URGENT_PLACES) if is_urgent else (self._may_wait, 0)
        if waits or self._places.left() + self._ahead + places <= 0 or not self._is_open_now():
            self._urgent_waits = self._urgent_waits or is_urgent
            return None
        try:
            lease = self._grip.fence()
        except LeaseLost:
            return None
        self._places.take()
        return Offer(message=message, lease=lease, run=self._run, told=self._made, fell=self._fell)

    def _is_open_now(self) -> bool:
        """Say whether what begins now may be sent: nothing is against it, and the receiver answers."""
        if not self._is_taking or self._shut or self._paused:
            return False
        return self._door.resting(self._now()) is None and self._door.circuit is Circuit.FLOWS

    async def room(self) -> None:
        """Wait a little while all places are taken by what is sent one behind the other just now: a message that gets one needs no look."""
        if not self._may_wait and self._places.left() <= 0 and self._is_open_now():
            await self._places.wait(at_most_s=LONGEST_PAUSE_S)

    def _made(self, offer: Offer, delivery_id: int, attempt: int | None) -> None:
        if attempt is None:  # an earlier one of its lane is not over
            self._let_go(offer)
            self._followed.add(offer.message.lane)
            self.came()
            return
        is_urgent = offer.message.priority is Priority.STAT
        head = LaneHead(
            delivery_id=delivery_id, message=offer.message, is_urgent=is_urgent, attempts=0, born_at=self._now(), first_attempt_at=None
        )  # fmt: skip
        begun = Begun(head=head, attempt=attempt, lease=offer.lease)
        if offer.run == self._run and self._is_taking:
            self._turn += 1
            self._start(head, self._go_on(begun))  # in the place that it has
        else:  # the queue has stopped since, or was stopped and runs again: the next look begins it anew
            self._owed.note(self._ended(begun, no_answer(Silence.KEPT_BACK)), then=self.wake)

    def _fell(self, offer: Offer, error: BaseException) -> None:
        self._let_go(offer)
        if isinstance(error, StoreUnsure):  # it may have begun: as after a crash, what is under way is made due again
            self._faults.append(error)
        self.wake()

    def _let_go(self, offer: Offer) -> None:
        if offer.run == self._run:
            self._places.give()

    def shut(self, reason: str) -> None:
        """Send nothing until ``open`` is called: the messages' plan is not shown to be right, or nobody has signed their tables."""
        self._shut = reason
        self.wake()

    def pause(self, words: str) -> None:
        """Send nothing until ``resume`` is called: a person wants it so. Messages are made and stand in their order meanwhile.

        A try that has sent its message already comes to its end. The time until then is no message's own: none is given up for it.
        """
        self._paused = words
        self.wake()

    def resume(self) -> None:
        """Send again, in the order in which messages stand."""
        if self._paused:
            self._door.was_paused(self._now())
        self._paused = ""
        self.wake()

    @property
    def shut_because(self) -> str:
        """Say why nothing is sent; nothing where it is, or where a person has paused it."""
        return self._shut

    @property
    def is_paused(self) -> bool:
        """Say whether a person wants nothing sent."""
        return bool(self._paused)

    @property
    def next_try(self) -> datetime | None:
        """Give when the next message tries whether the receiver is back; None where messages flow or nothing is sent."""
        return (
            self._door.resting(self._now())
            if self._door.circuit is not Circuit.FLOWS and not (self._shut or self._paused)
            else None
        )

    def open(self) -> None:
        """Send; nothing is against it."""
        self._shut = ""
        self.wake()

    async def run(self) -> None:
        """Run until cancelled. Raises StoreError if the store fails; a try whose end could not be noted is noted when it runs again.

        Raises LeaseLost once the destination is another process's. What its last owner was sending is due again first.
        """
        self._faults.clear()
        self._may_wait = True
        self._patience.begin()
        try:
            await self._owed.pay()
            await self._recover()
            self._is_taking = True
            while True:
                self._woken.clear()
                await self._owed.pay()
                watched = self._watch_clock()
                await self._hurry()
                await self._note_state()
                # by the clock of this look: what it was set to since is noticed at the next one
                await self._committed.end_waits(watched)
                now = self._now()
                if not self._shut:
                    await self._bear_some()
                    if not self._paused:
                        await self._begin_some(now)
                await self._sleep(now, watched)
                self._raise_faults()
        finally:
            await self._wind_up()

    # --- one look

    async def _recover(self) -> None:
        self._told = None  # another process may have noted the destination's state meanwhile
        recovering = RecoverDeliveries(destination=self._name, at=self._now(), lease=self._grip.fence())
        if count := await self._done(recovering):
            log.warning("delivery.recovered", destination=self._name, count=count)

    def _watch_clock(self) -> datetime:
        """Let nothing wait, and give nothing up, by a clock that was set meanwhile; give what it shows."""
        now, steady_s = self._now(), asyncio.get_running_loop().time()
        if self._clock is None:  # the clock may have been set while nothing ran: what waits beyond every wait shows it
            self._clock = ClockWatch(now=now, steady_s=steady_s)
            self._hurry_beyond = now + max(self._pace.longest, timedelta(seconds=LONGEST_RETRY_AFTER_S))
        elif self._clock.was_set(now, steady_s):
            log.warning("clock.was_set", destination=self._name)
            self._door.clock_was_set(now)
            self._hurry_beyond, self._was_set = now, True
        return now

    async def _hurry(self) -> None:
        if self._hurry_beyond is not None:
            now, lease = self._now(), self._grip.fence()
            until = None if self._pace.application is None else now + self._pace.application
            beyond, was_set = self._hurry_beyond, self._was_set
            await self._done(
                HurryWaiting(destination=self._name, beyond=beyond, at=now, answers_until=until, was_set=was_set, lease=lease)
            )
            if self._hurry_beyond == beyond:  # else it was set again meanwhile
                self._hurry_beyond, self._was_set = None, False

    async def _note_state(self) -> None:
        if self._shut:
            state, reason = DestinationState.SHUT, self._shut
        elif self._paused:
            state, reason = DestinationState.PAUSED, self._paused
        else:
            state, reason = self._door.state, self._door.reason
        if (state, reason) != self._told:
            lease = self._grip.fence()
            await self._done(SetDestination(name=self._name, state=state, reason=reason, at=self._now(), lease=lease))
            self._told = (state, reason)

    async def settle(self, control_id: str, acknowledgement: Acknowledgement) -> bool:
        """Note durably an answer that came apart from its try; say whether the message is one of ours. Raises StoreError.

        It waits for the end of a try of that message that is under way, here or in another process: what that one brought is noted first.
        """
        trying = self._trying.get(control_id)
        if trying:
            await asyncio.wait({trying})
        is_ours = await self._committed.settle(control_id, acknowledgement)
        if is_ours:
            self.wake()
        return is_ours

    async def _bear_some(self) -> None:
        for delivery_id, result in await ask(self._store, self._store.unborn, self._name, limit=BIRTHS_AT_ONCE):
            message = await self._bear(result)
            lease = self._grip.fence()
            with suppress(Overtaken):  # a person has set it aside since this look
                if message is None:  # a control, and the settings ask for none any more
                    await self._done(WithholdDelivery(delivery_id=delivery_id, at=self._now(), lease=lease))
                else:
                    await self._done(BearMessage(delivery_id=delivery_id, message=message, at=self._now(), lease=lease))
            self.wake()  # there may be more, and lanes are looked at in between

    async def _begin_some(self, now: datetime) -> None:
        if self._door.resting(now):
            return
        flows = self._door.circuit is Circuit.FLOWS
        room = (self._pace.lanes if flows else 1) - self._under_way()
        if room <= 0:
            return
        self._grip.fence()
        wanted, turn = (room + len(self._beginning), self._turn) if flows else (2 * ASKERS, 0)
        self._may_wait = self._urgent_waits = False  # what comes while the store is asked says so itself
        heads = await ask(self._store, self._store.lane_heads, self._name, now=now, limit=wanted, turn=turn)
        may_go = [head for head in heads if head.delivery_id not in self._busy]
        # of these the try has a step to go, and the store has them due again
        self._followed.update(head.message.lane for head in heads if head.delivery_id in self._busy)
        if not flows or len(heads) >= wanted or len(may_go) > room:
            self._may_wait = True
            self._urgent_waits = self._urgent_waits or (bool(heads) and heads[-1].is_urgent)  # the urgent come first
        for head in may_go[:room] if flows else asker(may_go, self._asked):
            self._turn += 1
            self._beginning.add(head.delivery_id)
            self._followed.add(head.message.lane)
            self._places.take()
            self._start(head, self._try(head, asks=not flows))

    def _start(self, head: LaneHead, trying: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(trying)
        self._busy.add(head.delivery_id)
        self._tried_in[head.message.lane] += 1
        self._trying[head.message.control_id] = task
        task.add_done_callback(partial(self._tried, head))

    def _tried(self, head: LaneHead, task: asyncio.Task[None]) -> None:
        """Look again where the store may have more, once so few are begun that it pays."""
        self._trying.pop(head.message.control_id, None)
        self._busy.discard(head.delivery_id)
        lane = head.message.lane
        self._tried_in[lane] -= 1
        self._may_wait = self._may_wait or lane in self._followed
        if not self._tried_in[lane]:
            del self._tried_in[lane]
            self._followed.discard(lane)
        if not task.cancelled() and (fault := task.exception()) is not None:
            self._faults.append(fault)
        if self._faults or (self._may_wait and self._has_room_for_a_look()):
            self._woken.set()

    def _has_room_for_a_look(self) -> bool:
        """Say whether half of what may have begun is over: until then enough wait for their turn, and looks cost more than tries."""
        return self._under_way() <= max(self._pace.in_flight, self._pace.lanes // 2)

    def _under_way(self) -> int:
        """Give how many are begun, or may be: those whose end is not noted yet as well, since their lanes go on behind it."""
        return max(len(self._trying), self._places.taken)

    async def _sleep(self, now: datetime, watched: datetime) -> None:
        """Wait until woken, or until something falls due that was not due at ``now``, the moment of this look, or a wait that ends after ``watched``."""
        due = self._door.resting(now) or await ask(self._store, self._store.next_due, self._name)
        # what was due at this look has begun, or waits for something that will wake us
        wait = LONGEST_LOOK if due is None or due <= now else min(due - now, LONGEST_LOOK)
        if self._pace.application is not None:
            unanswered = await ask(self._store, self._store.next_unanswered, self._name)
            if unanswered is not None and unanswered > watched:  # what ended between the two moments nobody has ended yet
                wait = min(wait, unanswered - now)
        try:
            # not wait_for: up to Python 3.11 it swallows a cancellation that meets the wake-up, and the queue never ends
            async with asyncio.timeout(max(wait.total_seconds(), 0.001)):
                await self._woken.wait()
        except TimeoutError:
            return

    def _raise_faults(self) -> None:
        if self._store.fault:
            raise StoreFailed(self._store.fault)
        if self._faults:
            raise self._faults.pop(0)

    async def _wind_up(self) -> None:
        """Wait a little for answers on their way, then let go; of a destination that is lost no answer counts.

        What has begun and waits for its turn is not sent any more.
        """
        self._is_leaving, self._is_taking = True, False
        tasks = list(self._trying.values())
        try:
            if tasks and self._is_ours():
                await asyncio.wait(tasks, timeout=GRACE_S)
        finally:  # also where the service is told to stop while a queue that fell over winds up
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._trying.clear()
            self._busy.clear()
            self._tried_in.clear()
            self._followed.clear()
            self._places.clear()
            self._run += 1  # what was offered and is made from here on is kept back
            self._is_leaving = False

    def _is_ours(self) -> bool:
        try:
            self._grip.fence()
        except LeaseLost:
            return False
        return True

    async def _done(self, command: Command) -> Any:
        return await done(self._store, command)

    # --- one try

    async def _try(self, head: LaneHead, *, asks: bool) -> None:
        """Try once; ``asks``: it asks a receiver that gave nobody an answer whether it is back."""
        try:
            begun = await self._begin(head)
        except LeaseLost:
            self._say_lost(head)
            begun = None
        if begun is None:
            self._places.give()
        else:
            await self._go_on(begun, asks=asks)

    async def _go_on(self, begun: Begun, *, asks: bool = False) -> None:
        """Send what has begun, in its turn, and note what came of it."""
        try:
            try:
                acknowledgement = await self._send(begun, asks=asks)
            finally:
                self._places.give()
            if acknowledgement.code != Silence.KEPT_BACK:
                self._watch_clock()
                self._door.note(acknowledgement, now=self._now(), jitter=self._jitter())
                self._grip.stand_back(self._patience.note(self._door, acknowledgement, asyncio.get_running_loop().time()))
            await self._end(begun, acknowledgement)
            await self._note_state()
        except LeaseLost:
            self._say_lost(begun.head)

    def _say_lost(self, head: LaneHead) -> None:
        """Whoever has the destination now makes the message due again."""
        log.warning("delivery.not_ours", delivery=head.delivery_id, destination=self._name)

    async def _begin(self, head: LaneHead) -> Begun | None:
        try:
            lease = self._grip.fence()
            attempt: int | None = await self._done(BeginAttempt(delivery_id=head.delivery_id, at=self._now(), lease=lease))
        finally:
            self._beginning.discard(head.delivery_id)
        return None if attempt is None else Begun(head=head, attempt=attempt, lease=lease)

    async def _send(self, begun: Begun, *, asks: bool) -> Acknowledgement:
        """Wait for the turn, and send if it may still go. Raises LeaseLost where the destination is another process's by then."""
        silence, message = Silence.KEPT_BACK, begun.head.message
        try:
            async with self._turns.turn(begun.head.delivery_id, is_urgent=begun.head.is_urgent):
                if not self._may_send(begun, asks=asks):
                    return no_answer(silence)
                silence = Silence.INTERRUPTED
                return self._conflicts.settled(begun.head.delivery_id, await self._client.send(message))
        except asyncio.CancelledError:
            # handed to the store without waiting: it is durable with the store's last group, or the next start finds it as a crash
            self._store.submit(self._ended(begun, no_answer(silence)))
            raise
        except LeaseLost:
            raise
        except Exception:
            self._owed.add(self._ended(begun, no_answer(Silence.FAULT)))
            raise

    def _may_send(self, begun: Begun, *, asks: bool) -> bool:
        """Say whether what has begun may still go: while it waited for its turn the receiver may have failed, or the destination been shut.

        Raises LeaseLost where the destination is another process's, or was meanwhile.
        """
        if self._grip.fence() != begun.lease:
            raise LeaseLost(f"{self._name} was another process's while delivery {begun.head.delivery_id} waited for its turn")
        if self._shut or self._paused or self._is_leaving:
            return False
        return asks or (self._door.resting(self._now()) is None and self._door.circuit is Circuit.FLOWS)

    async def _end(self, begun: Begun, acknowledgement: Acknowledgement) -> None:
        head, command = begun.head, self._ended(begun, acknowledgement)
        if not self._may_wait and head.message.lane not in self._followed:
            command = replace(command, has_time=True)
        try:
            state: DeliveryState = await self._done(command)
        except StoreError:
            self._owed.add(command)
            raise
        if state in {DeliveryState.RETRYING, DeliveryState.COMMITTED}:
            self.wake()  # it falls due again
        stopped = state in {DeliveryState.REFUSED, DeliveryState.EXPIRED}
        log.log(
            30 if stopped else 20,  # logging.WARNING, logging.INFO
            "delivery.stopped" if stopped else "delivery.tried",
            delivery=head.delivery_id,
            destination=self._name,
            attempt=head.attempts + 1,
            state=state.value,
            answer=acknowledgement.code,
        )

    def _ended(self, begun: Begun, acknowledgement: Acknowledgement) -> EndAttempt:
        return ended(
            begun,
            acknowledgement,
            name=self._name,
            door=self._door,
            pace=self._pace,
            at=At(now=self._now(), jitter=self._jitter()),
        )
