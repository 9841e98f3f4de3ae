"""A receiver's door: when nobody is let in, when to knock again, and what opens it.

The waits are our own; "closed" and "nobody there" follow the tables in lifecycle/answers/, which cite the standards.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import Silence, no_answer
from bridge.model import Acknowledgement, Answer
from bridge.queue.door import LONGEST_KNOCK, Door

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
CLOSED = Acknowledgement(answer=Answer.CLOSED, code="HTTP 401", text="")
NOBODY = no_answer(Silence.NO_CONNECTION)
BUSY = Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 503", text="")
TAKEN = Acknowledgement(answer=Answer.ACCEPTED, code="AA", text="")
TURNED_AWAY = Acknowledgement(answer=Answer.REFUSED, code="AE", text="")
ANSWERS = (CLOSED, NOBODY, BUSY, TAKEN, TURNED_AWAY)


def after(seconds: float) -> datetime:
    """Give a moment after noon."""
    return NOON + timedelta(seconds=seconds)


def door() -> Door:
    """Give a door that is knocked at after 1, 2, 4 ... seconds."""
    return Door(first=timedelta(seconds=1), longest=timedelta(minutes=15))


def test_a_new_door_is_open() -> None:
    """Nothing is held back before anything was tried."""
    new = door()
    assert (new.reason, new.is_closed, new.resting(NOON), new.opened_at) == ("", False, None, None)


def test_a_closed_door_rests_everything_and_is_knocked_at_ever_later() -> None:
    """What concerns the sign-in concerns every message: one knock at a time, after 1, 2, 4 seconds, and the rest is over on its second."""
    shut = door()
    knocked, waits = NOON, []
    for _ in range(3):
        shut.note(CLOSED, now=knocked, jitter=0.0)
        until = shut.resting(knocked)
        assert until is not None
        waits.append((until - knocked).total_seconds())
        knocked = until
    assert waits == [1.0, 2.0, 4.0]
    assert shut.is_closed
    assert shut.reason == "HTTP 401: Not signed in, even after the token was read anew and tried once more."
    assert shut.resting(knocked) is None


def test_no_wait_before_a_knock_is_longer_than_half_a_minute() -> None:
    """A receiver that is back is found soon, however long a message's own waits may grow."""
    shut = door()
    shut.knocks = 11  # 2**11 seconds would be 34 minutes
    shut.note(NOBODY, now=NOON, jitter=0.0)
    assert shut.rest_until == NOON + LONGEST_KNOCK == after(30)


def test_lanes_that_meet_the_same_door_together_are_one_knock() -> None:
    """Eight lanes in flight when a receiver goes are not eight failures: the rest is not made longer by them."""
    shut = door()
    for _ in range(8):
        shut.note(NOBODY, now=NOON, jitter=0.0)
    assert (shut.knocks, shut.rest_until) == (1, after(1))


def test_nobody_there_rests_the_destination_but_does_not_call_it_closed() -> None:
    """A restart of the receiver needs no one to act; time before it counts as trying, so ``opened_at`` stays unset."""
    away = door()
    away.note(NOBODY, now=NOON, jitter=0.0)
    assert (away.is_closed, away.reason.partition(":")[0]) == (False, "no connection")
    away.note(TAKEN, now=after(1), jitter=0.0)
    assert (away.reason, away.knocks, away.rest_until, away.opened_at) == ("", 0, None, None)


def test_an_answer_to_one_message_leaves_an_open_door_open() -> None:
    """A refusal, or a receiver in trouble, is that message's own: others may go."""
    for acknowledgement in (BUSY, TURNED_AWAY, TAKEN):
        standing = door()
        standing.note(acknowledgement, now=NOON, jitter=0.0)
        assert (standing.reason, standing.resting(NOON)) == ("", None)


def test_only_a_real_answer_opens_a_closed_door() -> None:
    """Trouble and silence while it is closed leave its reason standing; yes or no to the message opens it, with the moment."""
    for first_real in (TAKEN, TURNED_AWAY):
        shut = door()
        shut.note(CLOSED, now=NOON, jitter=0.0)
        reason = shut.reason
        shut.note(BUSY, now=after(1), jitter=0.0)
        shut.note(NOBODY, now=after(3), jitter=0.0)
        assert (shut.is_closed, shut.reason, shut.knocks, shut.rest_until) == (True, reason, 3, after(7))
        shut.note(first_real, now=after(7), jitter=0.0)
        assert (shut.is_closed, shut.reason, shut.knocks, shut.rest_until, shut.opened_at) == (False, "", 0, None, after(7))


def test_a_receiver_that_names_its_wait_is_left_alone_for_it() -> None:
    """Retry-After holds for the whole destination (RFC 9110, 10.2.3), and is no closed door."""
    standing = door()
    standing.note(
        Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 429", text="", retry_after_s=90.0),
        now=NOON,
        jitter=0.0,
    )
    assert (standing.resting(NOON), standing.reason, standing.resting(after(90))) == (after(90), "", None)


@given(st.lists(st.tuples(st.sampled_from(ANSWERS), st.floats(0, 60)), max_size=30), st.floats(0, 0.99))
def test_a_door_says_why_whenever_it_keeps_out_and_is_never_shut_for_good(
    met: list[tuple[Acknowledgement, float]], jitter: float
) -> None:
    """Whatever was met: closed has a reason, a rest ends within half a minute, and one taken message opens it all."""
    any_door, now = door(), NOON
    for acknowledgement, seconds in met:
        now += timedelta(seconds=seconds)
        any_door.note(acknowledgement, now=now, jitter=jitter)
        assert bool(any_door.reason) == (any_door.knocks > 0)
        assert any_door.reason or not any_door.is_closed
        until = any_door.resting(now)
        assert until is None or until - now <= LONGEST_KNOCK
    any_door.note(TAKEN, now=now, jitter=jitter)
    assert (any_door.reason, any_door.is_closed, any_door.resting(now)) == ("", False, None)
