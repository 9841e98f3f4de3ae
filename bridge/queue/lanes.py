"""One destination's queue: lanes in strict order, begun durably before the first byte leaves."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

import structlog

from bridge.lifecycle.answers import Silence, is_conflict, settle_conflict, stop_words
from bridge.lifecycle.backoff import given_up, next_attempt
from bridge.lifecycle.states import DestinationState
from bridge.model import Acknowledgement, Answer, CodedResult, DeliveryState, Message
from bridge.store.api import Store
from bridge.store.commands import BearMessage, BeginAttempt, EndAttempt, SetDestination
from bridge.store.rows import LaneHead

log = structlog.get_logger()

LONGEST_KNOCK = timedelta(seconds=30)  # ours: a door that nobody opens is tried this often; a connection refused costs nothing
LONGEST_LOOK = timedelta(seconds=60)  # ours: a lane that waits for another destination's delivery is looked at again after this
BIRTHS_AT_ONCE = 100  # ours: unborn messages made in one go before lanes are looked at


class Client(Protocol):
    """What sends messages to one receiver."""

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; give what came of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Pace:
    """How a destination is tried. ``lanes`` bounds how many lanes are in flight at once."""

    first: timedelta
    longest: timedelta
    give_up: timedelta
    lanes: int


class DestinationQueue:
    """Takes lane heads as they may go, tries them, and notes what came of it. ``run`` ends only by cancellation or a store fault.

    A destination that is closed consumes nothing: one head at a time knocks at growing intervals until it is let in.
    """

    def __init__(  # noqa: PLR0913 - the parts of a queue, all given by the composition root
        self,
        store: Store,
        name: str,
        client: Client,
        pace: Pace,
        *,
        bear: Callable[[CodedResult], Awaitable[Message]],
        now: Callable[[], datetime],
        jitter: Callable[[], float],
    ) -> None:
        self._store = store
        self._name = name
        self._client = client
        self._pace = pace
        self._bear = bear
        self._now = now
        self._jitter = jitter
        self._woken = asyncio.Event()
        self._busy: dict[int, asyncio.Task[None]] = {}
        self._conflicts: dict[int, int] = {}
        self._shut = ""
        self._is_closed = False
        self._knocks = 0
        self._rest_until: datetime | None = None
        self._told: tuple[DestinationState, str] | None = None

    def wake(self) -> None:
        """Look again at once."""
        self._woken.set()

    def shut(self, reason: str) -> None:
        """Send nothing until ``open`` is called: the messages' plan is not shown to be right."""
        self._shut = reason
        self.wake()

    def open(self) -> None:
        """Send; the plan passed."""
        self._shut = ""
        self.wake()

    async def run(self) -> None:
        """Run until cancelled. Raises StoreError if the store fails; what was being sent then goes again after a restart."""
        try:
            while True:
                self._woken.clear()
                await self._note_state()
                if not self._shut:
                    await self._bear_some()
                    self._begin_some()
                await self._sleep()
                self._raise_faults()
        finally:
            tasks = list(self._busy.values())
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._busy.clear()

    # --- one look

    async def _note_state(self) -> None:
        if self._shut:
            await self._set(DestinationState.SHUT, self._shut)
        elif not self._is_closed:
            await self._set(DestinationState.OPEN, "")

    async def _set(self, state: DestinationState, reason: str) -> None:
        if (state, reason) != self._told:
            await asyncio.wrap_future(
                self._store.submit(SetDestination(name=self._name, state=state, reason=reason, at=self._now()))
            )
            self._told = (state, reason)

    async def _bear_some(self) -> None:
        for delivery_id, result in self._store.unborn(self._name, limit=BIRTHS_AT_ONCE):
            message = await self._bear(result)
            await asyncio.wrap_future(self._store.submit(BearMessage(delivery_id=delivery_id, message=message, at=self._now())))

    def _begin_some(self) -> None:
        now = self._now()
        if self._rest_until and now < self._rest_until:
            return
        room = (1 if self._is_closed else self._pace.lanes) - len(self._busy)
        if room <= 0:
            return
        for head in self._store.lane_heads(self._name, now=now, limit=room + len(self._busy)):
            if head.delivery_id not in self._busy and room > 0:
                room -= 1
                task = asyncio.create_task(self._try(head))
                self._busy[head.delivery_id] = task
                task.add_done_callback(lambda _: self.wake())

    async def _sleep(self) -> None:
        """Wait until woken, or until something falls due."""
        now = self._now()
        due = self._rest_until if self._rest_until and self._rest_until > now else self._store.next_due(self._name)
        wait = LONGEST_LOOK if due is None or due <= now else min(due - now, LONGEST_LOOK)
        try:
            await asyncio.wait_for(self._woken.wait(), max(wait.total_seconds(), 0.001))
        except TimeoutError:
            return

    def _raise_faults(self) -> None:
        for delivery_id, task in list(self._busy.items()):
            if task.done():
                del self._busy[delivery_id]
                task.result()

    # --- one try

    async def _try(self, head: LaneHead) -> None:
        begun: bool = await asyncio.wrap_future(self._store.submit(BeginAttempt(delivery_id=head.delivery_id, at=self._now())))
        if not begun:
            return
        acknowledgement = self._settled(head, await self._client.send(head.message))
        await self._end(head, acknowledgement)
        await self._note_door(acknowledgement)
        log.info(
            "delivery.tried",
            delivery=head.delivery_id,
            destination=self._name,
            attempt=head.attempts + 1,
            answer=acknowledgement.code,
        )

    def _settled(self, head: LaneHead, acknowledgement: Acknowledgement) -> Acknowledgement:
        if not is_conflict(acknowledgement):
            self._conflicts.pop(head.delivery_id, None)
            return acknowledgement
        self._conflicts[head.delivery_id] = self._conflicts.get(head.delivery_id, 0) + 1
        return settle_conflict(acknowledgement, conflicts=self._conflicts[head.delivery_id])

    async def _end(self, head: LaneHead, acknowledgement: Acknowledgement) -> None:
        now = self._now()
        begun_at = head.first_attempt_at or now
        expire = acknowledgement.answer is Answer.TRY_AGAIN and given_up(
            first_attempt_at=begun_at, now=now, give_up=self._pace.give_up
        )
        sentence, remedy = stop_words(self._name, acknowledgement, tried_for=now - begun_at if expire else None)
        state: DeliveryState = await asyncio.wrap_future(
            self._store.submit(
                EndAttempt(
                    delivery_id=head.delivery_id,
                    at=now,
                    acknowledgement=acknowledgement,
                    due_at=self._due(head, acknowledgement, now),
                    expire=expire,
                    sentence=sentence,
                    remedy=remedy,
                )
            )
        )
        if state in {DeliveryState.REFUSED, DeliveryState.EXPIRED}:
            log.warning(
                "delivery.stopped",
                delivery=head.delivery_id,
                destination=self._name,
                state=state.value,
                answer=acknowledgement.code,
            )

    def _due(self, head: LaneHead, acknowledgement: Acknowledgement, now: datetime) -> datetime | None:
        """Give when to try again, and rest the whole destination where the answer concerns its door and not this message."""
        if acknowledgement.answer not in {Answer.TRY_AGAIN, Answer.CLOSED}:
            return None
        if acknowledgement.answer is Answer.CLOSED or acknowledgement.code == Silence.NO_CONNECTION:
            self._knocks += 1
            longest = min(self._pace.longest, LONGEST_KNOCK)
            self._rest_until = next_attempt(self._knocks, now=now, jitter=self._jitter(), first=self._pace.first, longest=longest)
            return self._rest_until
        if acknowledgement.retry_after_s is not None:
            self._rest_until = now + timedelta(seconds=acknowledgement.retry_after_s)
            return self._rest_until
        return next_attempt(head.attempts + 1, now=now, jitter=self._jitter(), first=self._pace.first, longest=self._pace.longest)

    async def _note_door(self, acknowledgement: Acknowledgement) -> None:
        if acknowledgement.answer is Answer.CLOSED:
            self._is_closed = True
            await self._set(DestinationState.CLOSED, acknowledgement.code)
        elif acknowledgement.code != Silence.NO_CONNECTION:
            self._is_closed = False
            self._knocks = 0
            if acknowledgement.answer is not Answer.TRY_AGAIN:
                self._rest_until = None
            await self._set(DestinationState.OPEN, "")
