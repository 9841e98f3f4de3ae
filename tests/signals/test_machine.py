"""A signal's life by its table: every pair of state and event, and any history of causes against a plain model."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import (
    MAY_ACKNOWLEDGE,
    SIGNAL_STEPS,
    Rule,
    Signal,
    SignalEvent,
    SignalState,
    What,
    acknowledged,
    look,
    step,
)

NOW = datetime(2026, 11, 27, 8, 0, tzinfo=UTC)
RULE = Rule(
    settle=timedelta(minutes=1),
    ease=timedelta(minutes=5),
    repeat=timedelta(minutes=60),
    lapse=timedelta(hours=4),
    news_gap=timedelta(minutes=5),
)


def at(minutes: float) -> datetime:
    """Give the moment so many minutes after NOW."""
    return NOW + timedelta(minutes=minutes)


def down(*names: str) -> tuple[Cause, ...]:
    """Give a cause for each receiver that is down."""
    return tuple(Cause(kind=Kind.RECEIVER, subject=name, since=NOW) for name in names)


@dataclass
class Told:
    """Looks again and again, and keeps what was said with its minute."""

    signal: Signal | None = None
    said: list[tuple[float, What]] = field(default_factory=list)
    rule: Rule = RULE

    def look(self, minute: float, *names: str, muted: bool = False) -> SignalState | None:
        """Look once, with these receivers down; give the state."""
        self.signal, what = look(self.signal, Kind.RECEIVER, down(*names), self.rule, now=at(minute), is_muted=muted)
        if what is not None:
            self.said.append((minute, what))
        state = self.signal.state if self.signal else None
        if state is SignalState.ENDED:
            self.signal = None
        return state

    def acknowledge(self, minute: float) -> None:
        """Acknowledge it."""
        assert self.signal is not None
        self.signal = acknowledged(self.signal, by="Ana", at=at(minute))


@pytest.mark.parametrize(("state", "event"), list(product(SignalState, SignalEvent)))
def test_every_pair_is_a_step_or_an_error(state: SignalState, event: SignalEvent) -> None:
    """The table is the whole truth: what is not in it cannot happen."""
    if (state, event) in SIGNAL_STEPS:
        assert step(state, event) is SIGNAL_STEPS[state, event]
    else:
        with pytest.raises(ValueError, match=f"a signal that is {state} knows no {event}"):
            step(state, event)


def test_what_may_be_acknowledged() -> None:
    """What is open, also while its causes are gone for a moment."""
    assert {SignalState.OPEN, SignalState.EASING} == MAY_ACKNOWLEDGE


def test_a_cause_is_said_once_repeated_and_ended() -> None:
    """It opens after it has stood, is said again by the hour, and ends after it has been gone for a while."""
    told = Told()
    states = [told.look(minute, "records") for minute in (0, 0.5, 1, 30, 60.9, 61, 120)]
    assert states == [SignalState.RISING] * 2 + [SignalState.OPEN] * 5
    assert told.said == [(1, What.OPENED), (61, What.REPEATED)]
    assert [told.look(minute) for minute in (121, 125, 126, 127)] == [
        SignalState.EASING,
        SignalState.EASING,
        SignalState.ENDED,
        None,
    ]
    assert told.said[2:] == [(126, What.ENDED)]


def test_what_comes_and_goes_is_said_once() -> None:
    """A receiver that falls over each minute is one signal; what was there for a moment only is none."""
    told = Told()
    assert (told.look(0, "records"), told.look(0.5), told.look(0.6)) == (SignalState.RISING, SignalState.ENDED, None)
    for minute in range(1, 50):
        told.look(minute, *(["records"] if minute % 3 else []))
    assert told.said == [(2, What.OPENED)]


def test_ten_like_causes_are_one_signal() -> None:
    """A network that fails says one thing; receivers that follow a moment later are told of together, not each. HZ-G06."""
    told = Told()
    told.look(0, *(f"r{number}" for number in range(10)))
    for minute in range(1, 5):
        told.look(minute, *(f"r{number}" for number in range(10 + minute)))
    assert told.said == [(1, What.OPENED)]
    told.look(6, *(f"r{number}" for number in range(14)))
    assert told.said[1:] == [(6, What.NEWS)]
    told.look(12, *(f"r{number}" for number in range(14)))
    assert len(told.said) == 2


def test_an_acknowledgement_is_quiet_until_something_new_or_its_time_is_over() -> None:
    """Who has it in hand is left alone; a further receiver is told at once, and after four hours what still stands is open again."""
    told = Told()
    told.look(0, "records"), told.look(1, "records")
    told.acknowledge(2)
    assert [told.look(minute, "records") for minute in (3, 200, 241.9)] == [SignalState.ACKNOWLEDGED] * 3
    assert told.look(242, "records") is SignalState.OPEN
    assert told.said == [(1, What.OPENED), (242, What.REPEATED)]
    assert told.signal is not None
    assert (told.signal.acknowledged_by, told.signal.acknowledged_at) == ("", None)
    told.acknowledge(243)
    assert told.look(244, "records", "chart") is SignalState.OPEN
    assert told.said[2:] == [(244, What.NEWS)]


def test_an_acknowledged_signal_that_is_back_stays_acknowledged() -> None:
    """Nobody is called twice for one fault that comes and goes; its end is told once."""
    told = Told()
    told.look(0, "records"), told.look(1, "records")
    told.acknowledge(2)
    assert [told.look(3), told.look(4, "records"), told.look(5)] == [
        SignalState.EASING_ACKNOWLEDGED, SignalState.ACKNOWLEDGED, SignalState.EASING_ACKNOWLEDGED,
    ]  # fmt: skip
    assert told.look(10) is SignalState.ENDED
    assert told.said == [(1, What.OPENED), (10, What.ENDED)]


def test_a_muted_kind_moves_and_says_nothing() -> None:
    """Once the mute is over, what stands is said; what ended meanwhile is not."""
    told = Told()
    assert [told.look(minute, "records", muted=True) for minute in (0, 1, 99)] == [
        SignalState.RISING,
        SignalState.OPEN,
        SignalState.OPEN,
    ]
    assert told.said == []
    told.look(100, "records")
    assert told.said == [(100, What.OPENED)]
    unheard = Told()
    for minute in (0, 1):
        unheard.look(minute, "records", muted=True)
    assert [unheard.look(2), unheard.look(7)] == [SignalState.EASING, SignalState.ENDED]
    assert unheard.said == []


def test_a_clock_that_is_set_back_does_not_silence_a_signal() -> None:
    """After a jump of a day to the past a repeat comes at once, not a day later."""
    told = Told()
    told.look(0, "records"), told.look(1, "records")
    told.look(-24 * 60, "records")
    assert told.said == [(1, What.OPENED), (-24 * 60, What.REPEATED)]


def test_repeats_can_be_off() -> None:
    """Said once, and no more until it ends."""
    told = Told(rule=replace(RULE, repeat=None))
    for minute in (0, 1, 100, 10_000):
        told.look(minute, "records")
    assert told.said == [(1, What.OPENED)]


STEP = st.tuples(st.floats(0.1, 90, allow_nan=False), st.sets(st.sampled_from(["a", "b", "c"])), st.booleans(), st.booleans())


@given(st.lists(STEP, max_size=60))
def test_any_history_keeps_the_promises(history: list[tuple[float, set[str], bool, bool]]) -> None:
    """Against a plain model of what was heard.

    One opening before all else and at most one end behind it; nothing while it is muted or gone; nothing new while it is acknowledged;
    an end is told only of what was told.
    """
    told, minute, heard, begun = Told(), 0.0, set[str](), False
    for wait, names, acknowledges, muted in history:
        minute += wait
        before = told.signal.state if told.signal else None
        count, known, first = len(told.said), set(heard), What.REPEATED if begun else What.OPENED
        state = told.look(minute, *sorted(names), muted=muted)
        new = [what for _, what in told.said[count:]]
        assert len(new) <= 1
        assert not (muted and new)
        if new and new != [What.ENDED]:
            assert state is SignalState.OPEN
            assert names
            assert (new == [What.OPENED]) is not begun
            begun, heard = True, heard | names
        if state is SignalState.ENDED:
            assert not names
            assert new == ([What.ENDED] if begun and not muted else [])
            begun, heard = False, set()
        if before is SignalState.ACKNOWLEDGED and names and names <= known:
            assert new in ([], [first])  # its time is over
        if acknowledges and told.signal is not None and told.signal.state in MAY_ACKNOWLEDGE:
            heard |= told.signal.subjects
            told.acknowledge(minute)
