"""One try of a message: how often and how long tries go on, how one ends, and when the next falls due.

No clock and no chance in here: the moment and the jitter arrive as arguments.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.lifecycle.answers import Silence, is_conflict, settle_conflict, stop_words
from bridge.lifecycle.backoff import given_up, next_attempt
from bridge.lifecycle.circuit import Circuit
from bridge.lifecycle.fairness import Asker, who_asks
from bridge.model import Acknowledgement, Answer, Priority
from bridge.queue.door import Door
from bridge.store.commands import EndAttempt, Lease
from bridge.store.rows import LaneHead


@dataclass(frozen=True, kw_only=True, slots=True)
class Pace:
    """How a destination is tried. ``in_flight`` bounds how many messages are with the receiver at once, ``lanes`` how many a look begins.

    Those that have begun and are not sent yet wait for their turn: their beginnings and ends share commits. Where ``ahead`` of
    them have begun with their making, or as many as ``lanes`` if that is more, judging pauses; twice as many may.
    ``application`` is how long the answer to a committed message is waited for, None where none can be committed;
    ``silence_is_yes``: the receiver answers errors only.
    """

    first: timedelta
    longest: timedelta
    give_up: timedelta
    lanes: int
    in_flight: int
    ahead: int = 0
    application: timedelta | None = None
    silence_is_yes: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Begun:
    """A try that was begun, and the lease that it was begun under: its end is noted under the same."""

    head: LaneHead
    attempt: int
    lease: Lease | None


@dataclass(frozen=True, kw_only=True, slots=True)
class At:
    """When a try ended (aware, UTC), and the chance by which the next one is put off (0 to 1)."""

    now: datetime
    jitter: float


class Conflicts:
    """Counts, message by message, how often a receiver said that another was in its way: it is asked again, but not for ever."""

    def __init__(self) -> None:
        self._counts: dict[int, int] = {}

    def settled(self, delivery_id: int, acknowledgement: Acknowledgement) -> Acknowledgement:
        """Give what the answer to a try means after those before it."""
        if not is_conflict(acknowledgement):
            self._counts.pop(delivery_id, None)
            return acknowledgement
        self._counts[delivery_id] = self._counts.get(delivery_id, 0) + 1
        settled = settle_conflict(acknowledgement, conflicts=self._counts[delivery_id])
        if settled.answer is not Answer.TRY_AGAIN:
            del self._counts[delivery_id]
        return settled


def ended(begun: Begun, acknowledgement: Acknowledgement, *, name: str, door: Door, pace: Pace, at: At) -> EndAttempt:
    """Give what is noted of the end of a try at the destination ``name``."""
    head, now = begun.head, at.now
    # time before a closed door is not the message's own: it counts from the opening
    since = max(filter(None, (head.first_attempt_at, door.opened_at)), default=now)
    expire = (
        acknowledgement.answer is Answer.TRY_AGAIN
        and not door.is_closed
        and given_up(first_attempt_at=since, now=now, give_up=pace.give_up)
    )
    sentence, remedy = stop_words(name, acknowledgement, tried_for=now - since if expire else None)
    return EndAttempt(
        delivery_id=head.delivery_id,
        attempt=begun.attempt,
        at=now,
        acknowledgement=acknowledgement,
        due_at=due(head, acknowledgement, door=door, pace=pace, at=at),
        expire=expire,
        sentence=sentence,
        remedy=remedy,
        lease=begun.lease,
    )


def due(head: LaneHead, acknowledgement: Acknowledgement, *, door: Door, pace: Pace, at: At) -> datetime | None:
    """Give when the next try falls due, or until when an answer is waited for; None where there is nothing to wait for."""
    now = at.now
    if acknowledgement.answer is Answer.COMMITTED and pace.application is not None:
        return now + pace.application
    if acknowledgement.answer not in {Answer.TRY_AGAIN, Answer.CLOSED}:
        return None
    if acknowledgement.code == Silence.INTERRUPTED:
        return now
    rest = door.resting(now)
    if acknowledgement.code == Silence.KEPT_BACK:
        return rest or now
    if door.circuit is Circuit.RESTS:
        return rest
    following = next_attempt(head.attempts + 1, now=now, jitter=at.jitter, first=pace.first, longest=pace.longest)
    return max(following, rest) if rest else following


def asker(heads: Sequence[LaneHead], asked: deque[int]) -> list[LaneHead]:
    """Give the one whose turn it is to ask a receiver that gives nobody an answer, none where nobody waits; ``asked`` remembers it."""
    if not heads:
        return []
    chosen = who_asks(
        [
            Asker(delivery_id=head.delivery_id, is_urgent=head.message.priority is Priority.STAT, is_tried=head.attempts > 0)
            for head in heads
        ],
        asked,
    )
    asked.append(chosen)
    return [head for head in heads if head.delivery_id == chosen]
