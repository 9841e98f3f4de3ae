"""A receiver's door: when nobody is let in, when to knock again, and what opens it.

The waits are our own; "closed" and "nobody there" follow the tables in lifecycle/answers/, which cite the standards.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import Silence, no_answer
from bridge.lifecycle.circuit import Circuit
from bridge.model import Acknowledgement, Answer
from bridge.queue.door import FLAPPING, LONGEST_FLAP, LONGEST_KNOCK, MISSES, MOST_PROOFS, Door

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
CLOSED = Acknowledgement(answer=Answer.CLOSED, code="HTTP 401", text="")
NOBODY = no_answer(Silence.NO_CONNECTION)
BUSY = Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 503", text="")
SILENT = no_answer(Silence.TIMEOUT)
LOCKED = Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 206", text="")
TAKEN = Acknowledgement(answer=Answer.ACCEPTED, code="AA", text="")
TURNED_AWAY = Acknowledgement(answer=Answer.REFUSED, code="AE", text="")
ANSWERS = (CLOSED, NOBODY, BUSY, SILENT, LOCKED, TAKEN, TURNED_AWAY)


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
    shut.circuit, shut.knocks = Circuit.PROBED, 11  # 2**11 seconds would be 34 minutes
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
    """A refusal, a locked record, or trouble once, is that message's own: others may go."""
    for acknowledgement in (BUSY, SILENT, LOCKED, TURNED_AWAY, TAKEN):
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


def test_a_clock_that_was_set_ends_every_rest_and_begins_the_age_anew() -> None:
    """A rest that was reckoned by another clock could last a day; a closed door stays closed until it is knocked at."""
    shut = door()
    shut.note(CLOSED, now=after(86_400), jitter=0.0)
    shut.clock_was_set(NOON)
    assert (shut.resting(NOON), shut.opened_at, shut.is_closed, shut.knocks) == (None, NOON, True, 1)


def wear(standing: Door, at: datetime, acknowledgement: Acknowledgement = SILENT) -> None:
    """Let it miss as often as it takes."""
    for _ in range(MISSES):
        standing.note(acknowledgement, now=at, jitter=0.0)


@pytest.mark.parametrize("acknowledgement", [SILENT, BUSY], ids=["timeout", "503"])
def test_a_receiver_that_fails_often_enough_in_a_row_rests(acknowledgement: Acknowledgement) -> None:
    """Four misses are the messages' own; the fifth in a row, over whichever lanes, is the receiver's."""
    standing = door()
    for _ in range(MISSES - 1):
        standing.note(acknowledgement, now=NOON, jitter=0.0)
    assert (standing.circuit, standing.reason, standing.resting(NOON)) == (Circuit.FLOWS, "", None)
    standing.note(acknowledgement, now=NOON, jitter=0.0)
    assert (standing.circuit, standing.is_closed, standing.resting(NOON)) == (Circuit.RESTS, False, after(1))
    assert standing.reason.startswith(acknowledgement.code)
    assert standing.resting(after(1)) is None
    assert standing.circuit is Circuit.PROBED


@pytest.mark.parametrize("between", [TAKEN, TURNED_AWAY, LOCKED])
def test_one_answer_in_between_begins_the_count_anew(between: Acknowledgement) -> None:
    """A message that no receiver can digest fails among answers to others: it never makes the receiver rest."""
    standing = door()
    for _ in range(20):
        for _ in range(MISSES - 1):
            standing.note(BUSY, now=NOON, jitter=0.0)
        standing.note(between, now=NOON, jitter=0.0)
    assert (standing.circuit, standing.reason) == (Circuit.FLOWS, "")


def test_answers_about_messages_never_make_a_receiver_rest() -> None:
    """A thousand refusals, or locked records, in a row: it works, and says so."""
    standing = door()
    for _ in range(1_000):
        standing.note(TURNED_AWAY, now=NOON, jitter=0.0)
        standing.note(LOCKED, now=NOON, jitter=0.0)
    assert (standing.circuit, standing.misses) == (Circuit.FLOWS, 0)


def test_an_answer_on_its_way_when_the_rest_began_ends_it() -> None:
    """Slow is not away: the answer of a message that went before is as good as a probe's."""
    standing = door()
    wear(standing, NOON)
    standing.note(TAKEN, now=after(0.5), jitter=0.0)
    assert (standing.circuit, standing.reason, standing.resting(after(0.5))) == (Circuit.FLOWS, "", None)


def test_a_receiver_that_goes_and_comes_owes_more_proof_and_waits_longer() -> None:
    """Each rest soon after a return: the first wait doubles, and one more answer in a row is owed before all lanes go."""
    flapping, now, waits, owed = door(), NOON, [], []
    for _ in range(9):
        wear(flapping, now)
        until = flapping.resting(now)
        assert until is not None
        waits.append((until - now).total_seconds())
        owed.append(flapping.needed)
        now = until
        while flapping.resting(now) is None and flapping.circuit is not Circuit.FLOWS:
            flapping.note(TAKEN, now=now, jitter=0.0)
    assert waits == [1, 2, 4, 8, 16, 32, 64, 120, 120]
    assert owed == [1, 2, 3, 4, 5, 5, 5, 5, 5]
    assert max(waits) == LONGEST_FLAP.total_seconds()
    assert max(owed) == MOST_PROOFS


def test_a_receiver_that_was_well_for_a_while_begins_anew() -> None:
    """Ten minutes without a rest: what was before is forgotten."""
    standing = door()
    for at in (NOON, after(60), after(120)):
        wear(standing, at)
        standing.resting(after(3600))
        for _ in range(MOST_PROOFS):
            standing.note(TAKEN, now=at, jitter=0.0)
    assert standing.flaps == 2
    later = after(120) + FLAPPING + timedelta(seconds=1)
    wear(standing, later)
    assert (standing.flaps, standing.needed, standing.resting(later)) == (0, 1, later + timedelta(seconds=1))


def test_a_probe_that_fails_while_proof_is_owed_rests_again() -> None:
    """Two answers and a miss are no proof: the count begins anew behind a longer rest."""
    standing = door()
    standing.flaps, standing.circuit, standing.knocks, standing.reason = 2, Circuit.PROBED, 3, "timeout"
    for acknowledgement in (TAKEN, TAKEN, SILENT):
        standing.note(acknowledgement, now=NOON, jitter=0.0)
    assert (standing.circuit, standing.proofs, standing.resting(NOON)) == (Circuit.RESTS, 0, after(8))


@dataclass
class Model:
    """The same in the plainest words: misses and proofs counted, one wait, nothing of tables."""

    flows: bool = True
    misses: int = 0
    proofs: int = 0
    owed: int = 1
    flaps: int = 0
    let_in: datetime | None = None
    until: datetime = NOON

    def meet(self, acknowledgement: Acknowledgement, now: datetime) -> None:
        if acknowledgement in (TAKEN, TURNED_AWAY, LOCKED):
            self.misses, self.proofs = 0, self.proofs + 1
            if not self.flows:
                self.until = now
                if self.proofs >= min(1 + self.flaps, MOST_PROOFS):
                    self.flows, self.let_in = True, now
            return
        self.misses, self.proofs = self.misses + 1, 0
        if self.flows and (acknowledgement is NOBODY or self.misses >= MISSES):
            soon = self.let_in is not None and now - self.let_in <= FLAPPING
            self.flows, self.flaps = False, self.flaps + 1 if soon else 0


@given(st.lists(st.tuples(st.sampled_from((NOBODY, BUSY, SILENT, LOCKED, TAKEN, TURNED_AWAY)), st.floats(0, 400)), max_size=60))
def test_the_door_is_its_model(met: list[tuple[Acknowledgement, float]]) -> None:
    """Whatever comes, at whatever times: it flows when the model says so, with the same count of flaps."""
    real, model, now = door(), Model(), NOON
    for acknowledgement, seconds in met:
        now += timedelta(seconds=seconds)
        real.note(acknowledgement, now=now, jitter=0.0)
        model.meet(acknowledgement, now)
        assert (real.circuit is Circuit.FLOWS) is model.flows
        assert (real.flaps, real.misses) == (model.flaps, model.misses)


@given(st.lists(st.tuples(st.sampled_from(ANSWERS), st.floats(0, 60)), max_size=30), st.floats(0, 0.99))
def test_a_door_says_why_whenever_it_keeps_out_and_is_never_shut_for_good(
    met: list[tuple[Acknowledgement, float]], jitter: float
) -> None:
    """Whatever was met: no flow has no reason, a rest ends within two minutes, and enough taken messages open it all."""
    any_door, now = door(), NOON
    for acknowledgement, seconds in met:
        now += timedelta(seconds=seconds)
        any_door.note(acknowledgement, now=now, jitter=jitter)
        assert bool(any_door.reason) == (any_door.circuit is not Circuit.FLOWS)
        assert any_door.reason or not any_door.is_closed
        until = any_door.resting(now)
        assert until is None or until - now <= LONGEST_FLAP
    for _ in range(MOST_PROOFS):
        any_door.note(TAKEN, now=now, jitter=jitter)
    assert (any_door.reason, any_door.is_closed, any_door.resting(now)) == ("", False, None)


# --- how often it knocks: a day and more of tries, without a clock


def knocks(is_up: Callable[[float], bool], *, costs_s: float, hours: float, seed: int = 7) -> tuple[int, int]:
    """Try for ``hours``, one message at a time; give how many tries failed and how many were answered. A miss costs ``costs_s``, an answer 50 ms."""
    asked, chance = door(), random.Random(seed)
    now, failed, answered = 0.0, 0, 0
    while now < hours * 3600:
        until = asked.resting(after(now))
        if until is not None:
            now = (until - NOON).total_seconds()
            continue
        up = is_up(now)
        now += 0.05 if up else costs_s
        asked.note(TAKEN if up else SILENT if costs_s else NOBODY, now=after(now), jitter=chance.random())
        failed, answered = failed + (not up), answered + up
    return failed, answered


@pytest.mark.parametrize(
    ("costs_s", "least", "most"),
    [
        (0.0, 120 * 72, 150 * 72),  # nobody takes the call: a knock every 24 to 30 seconds
        (0.02, 120 * 72, 150 * 72),  # a reverse proxy that says 503 at once
        (30.0, 60 * 72, 67 * 72),  # silence: 30 s until the time-out, then the wait
    ],
)
def test_a_receiver_that_is_down_for_three_days_is_knocked_at_now_and_then(costs_s: float, least: int, most: int) -> None:
    """Some two knocks a minute at most, whatever waits; it is found within half a minute and a time-out."""
    failed, answered = knocks(lambda _: False, costs_s=costs_s, hours=72)
    assert answered == 0
    assert least <= failed <= most


@pytest.mark.parametrize("costs_s", [0.0, 0.02])
def test_a_receiver_that_flaps_every_ten_seconds_is_not_hammered(costs_s: float) -> None:
    """Ten seconds up, ten down, for a day: some forty rests an hour; while it is up, messages flow. HZ-H08."""
    failed, answered = knocks(lambda now: now % 20 < 10, costs_s=costs_s, hours=24)
    assert failed <= 24 * 40 * (MISSES if costs_s else 1)
    assert answered >= 24 * 1_000
