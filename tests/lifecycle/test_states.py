"""Every pair of a delivery's state and an event: where it leads, or that it must not happen."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.states import DELIVERY_STEPS, OPEN_DELIVERY, STOPPED_DELIVERY, UNSETTLED_DELIVERY, DeliveryEvent, step
from bridge.model import DeliveryState

S, E = DeliveryState, DeliveryEvent

# Written by hand from the promises (kept first, one effect, in order, never silent), not from the code's table.
# One line a state, one column an event, "." where the pair must not happen.
COLUMNS = (
    E.BEAR, E.BEGIN, E.ACCEPT, E.TRY_AGAIN, E.REFUSE, E.CLOSE, E.EXPIRE, E.RECOVER, E.SUPERSEDE, E.SEND_AGAIN, E.DISCARD,
    E.WITHHOLD, E.COMMIT, E.LAPSE, E.TAKE_BACK, E.RESTORE,
)  # fmt: skip
GRID = """
unborn      queued .       .        .        .       .        .       .        superseded .      discarded discarded .         .        .       unmade
queued      .      sending .        .        .       .        .       .        superseded .      discarded .         .         .        .       unsure
sending     .      .       accepted retrying refused retrying expired retrying .          .      .         .         committed .        .       unsure
retrying    .      sending accepted .        refused .        expired .        superseded .      .         .         .         .        .       unsure
committed   .      .       accepted retrying refused .        expired .        .          .      .         .         .         accepted .       unsure
accepted    .      .       .        .        .       .        .       .        .          .      .         .         .         .        refused .
refused     .      .       .        .        .       .        .       .        superseded queued discarded .         .         .        .       .
expired     .      .       accepted .        refused .        .       .        superseded queued discarded .         .         .        .       .
unsure      .      .       .        .        .       .        .       .        .          queued discarded .         .         .        .       .
unmade      .      .       .        .        .       .        .       .        .          unborn discarded .         .         .        .       .
superseded  .      .       .        .        .       .        .       .        .          .      .         .         .         .        .       .
discarded   .      .       .        .        .       .        .       .        .          .      .         .         .         .        .       .
"""
EXPECTED = {
    (S(name), event): cell
    for name, *cells in (line.split() for line in GRID.split("\n") if line)
    for event, cell in zip(COLUMNS, cells, strict=True)
}
ENDED = {S.ACCEPTED, S.SUPERSEDED, S.DISCARDED}
PERSONS = {E.SEND_AGAIN, E.DISCARD, E.SUPERSEDE}  # a newer version is made only by a person's correction or reading again


def test_the_grid_has_every_pair() -> None:
    """12 states times 16 events: a new state or event must be decided on here too."""
    assert sorted(EXPECTED) == sorted((state, event) for state in S for event in E)
    assert len(EXPECTED) == 192


@pytest.mark.parametrize(("state", "event"), EXPECTED, ids=lambda part: part.name.lower())
def test_each_pair_is_allowed_or_refused(state: DeliveryState, event: DeliveryEvent) -> None:
    """An allowed pair gives its next state; any other raises and names both, since it is a defect that must be found."""
    expected = EXPECTED[state, event]
    if expected == ".":
        with pytest.raises(ValueError) as caught:
            step(state, event)
        assert str(caught.value) == f"a delivery that is {state.value} cannot meet: {event.value}"
    else:
        assert step(state, event) is S(expected)


def test_open_stopped_and_ended_are_all_there_is() -> None:
    """Each state holds its lane, waits for a person, or is over; a state in no group would hang for ever unseen."""
    assert {S.UNBORN, S.QUEUED, S.SENDING, S.RETRYING, S.COMMITTED} == OPEN_DELIVERY
    assert {S.REFUSED, S.EXPIRED, S.UNSURE, S.UNMADE} == STOPPED_DELIVERY
    assert set(S) == OPEN_DELIVERY | STOPPED_DELIVERY | ENDED
    assert len(OPEN_DELIVERY) + len(STOPPED_DELIVERY) + len(ENDED) == len(S)


def test_only_a_person_or_the_receivers_own_answer_moves_a_stopped_delivery() -> None:
    """Never silent: what stopped stays in sight until somebody acts, or until the answer that it stopped for comes after all."""
    stopped = {(state, event) for state, event in DELIVERY_STEPS if state in STOPPED_DELIVERY}
    assert {event for _, event in stopped} == PERSONS | {E.ACCEPT, E.REFUSE}
    assert {state for state, event in stopped if event not in PERSONS} == {S.EXPIRED}


def test_a_yes_is_taken_back_only_where_it_was_silence() -> None:
    """An ended delivery never moves again, but for the no of a receiver that answers errors only."""
    assert {(state, event) for state, event in DELIVERY_STEPS if state in ENDED} == {(S.ACCEPTED, E.TAKE_BACK)}


def test_what_a_late_answer_may_settle() -> None:
    """It went out, nobody has said yes or no to it, and it is not on its way just now."""
    assert {S.RETRYING, S.COMMITTED, S.EXPIRED} == UNSETTLED_DELIVERY


def test_what_may_have_gone_out_is_never_dropped() -> None:
    """One effect: after an attempt without an answer no person and no newer version can take the message back.

    One exception, which the store makes only where no try ever sent anything (tests/store/correction_contract.py).
    """
    out = {S.SENDING, S.RETRYING, S.COMMITTED}
    assert [(s.value, e.value) for s, e in DELIVERY_STEPS if s in out and e in PERSONS] == [("retrying", E.SUPERSEDE.value)]


@given(st.lists(st.sampled_from(E), max_size=30))
def test_every_walk_keeps_its_promises(events: list[DeliveryEvent]) -> None:
    """Whatever is tried in whatever order: a message is born once and first, and a yes needs an attempt and is final."""
    state, born, begun = S.UNBORN, 0, 0
    for event in events:
        try:
            after = step(state, event)
        except ValueError:
            continue
        assert state not in ENDED or event is E.TAKE_BACK
        born += event is E.BEAR
        begun += event is E.BEGIN
        state = after
        assert born <= 1
        assert (born == 1) or state in {S.UNBORN, S.UNMADE, S.SUPERSEDED, S.DISCARDED}
        assert state is not S.ACCEPTED or begun >= 1
        assert state is not S.SENDING or event is E.BEGIN
