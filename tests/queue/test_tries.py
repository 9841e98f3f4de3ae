"""When the next try falls due after each kind of end, and how often a conflict is asked about again."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.lifecycle.answers import Silence, no_answer
from bridge.model import Acknowledgement, Answer
from bridge.queue.door import Door
from bridge.queue.tries import At, Begun, Conflicts, Pace, due, ended
from bridge.store.rows import LaneHead
from tests.peers.outgoing import oru
from tests.store.strips import NOW, later

SECOND = timedelta(seconds=1)
PACE = Pace(first=SECOND, longest=60 * SECOND, give_up=timedelta(hours=1), lanes=1, in_flight=1, application=900 * SECOND)
AT = At(now=NOW, jitter=0.0)


def head(*, first: float | None = None) -> LaneHead:
    tried = None if first is None else later(first)
    return LaneHead(delivery_id=7, message=oru("E0000M1"), is_urgent=False, attempts=2, born_at=NOW, first_attempt_at=tried)


def said(answer: Answer) -> Acknowledgement:
    return Acknowledgement(answer=answer, code="said")


@pytest.mark.parametrize(
    ("acknowledgement", "wait_s"),
    [
        (said(Answer.ACCEPTED), None),
        (said(Answer.REFUSED), None),
        (said(Answer.COMMITTED), 900),  # until when the receiver's answer is waited for
        (said(Answer.TRY_AGAIN), 4),  # the third wait, which doubles from the first
        (no_answer(Silence.INTERRUPTED), 0),
        (no_answer(Silence.KEPT_BACK), 0),
    ],
)
def test_the_next_try_falls_due_by_what_came_of_this_one(acknowledgement: Acknowledgement, wait_s: float | None) -> None:
    """An answer that ends the message waits for nothing; our own doing costs it no wait."""
    found = due(head(), acknowledgement, door=Door(first=SECOND, longest=SECOND), pace=PACE, at=AT)
    assert found == (None if wait_s is None else NOW + wait_s * SECOND)


def test_a_message_waits_for_the_receivers_rest() -> None:
    """A receiver that rests is asked by nobody before its rest is over."""
    door = Door(first=SECOND, longest=SECOND, rest_until=later(1))
    for acknowledgement in (said(Answer.TRY_AGAIN), no_answer(Silence.KEPT_BACK)):
        assert due(head(), acknowledgement, door=door, pace=PACE, at=AT) == later(1)


@pytest.mark.parametrize(("first", "opened", "expires"), [(-61.0, None, True), (-59.0, None, False), (-61.0, -59.0, False)])
def test_tries_end_after_their_time_and_a_closed_door_does_not_count(
    first: float, opened: float | None, *, expires: bool
) -> None:
    """An hour of tries is the limit here; minutes before the door was opened last are not the message's own."""
    door = Door(first=SECOND, longest=SECOND, opened_at=None if opened is None else later(opened))
    begun = Begun(head=head(first=first), attempt=3, lease=None)
    command = ended(begun, said(Answer.TRY_AGAIN), name="record", door=door, pace=PACE, at=AT)
    assert (command.delivery_id, command.attempt, command.at, command.expire) == (7, 3, NOW, expires)


def test_what_is_no_conflict_stays_as_it_is() -> None:
    """Only a receiver that says that another write was in the way is counted."""
    accepted = said(Answer.ACCEPTED)
    assert Conflicts().settled(1, accepted) is accepted
