"""What may follow what in a task of telling, and when it is overdue: every pair, and random histories against a plain reckoning."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.telling import (
    STEPS,
    Said,
    Task,
    TellingState,
    TellingStep,
    after,
    changed_step,
    is_overdue,
    may,
    next_turn_at,
    opened,
    overdue_at,
    whose_turn,
)
from bridge.tables.telling_terms import TellingTerms, ToTell

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
WARD, DOCTOR = ToTell(name="Ward 3", role="nurse in charge", contact="ext. 44"), ToTell(name="Dr Ruiz", role="on call")
TERMS = TellingTerms(overdue_minutes=20, people=(WARD, DOCTOR))
OPEN, TOLD, CLOSED = TellingState.OPEN, TellingState.TOLD, TellingState.CLOSED


def at(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def test_every_pair_of_state_and_step() -> None:
    """HZ-I01: a task is closed only once somebody has read it back, or by a word of its own; what was closed is only ever opened again."""
    allowed = {
        (OPEN, "not reached"): OPEN,
        (OPEN, "told, not read back"): OPEN,
        (OPEN, "passed on"): OPEN,
        (OPEN, "changed"): OPEN,
        (OPEN, "told and read back"): TOLD,
        (OPEN, "closed without telling"): CLOSED,
        (OPEN, "closed as a repeat"): CLOSED,
        (TOLD, "told and read back"): TOLD,
        (TOLD, "closed"): CLOSED,
        (TOLD, "to be told again"): OPEN,
        (CLOSED, "to be told again"): OPEN,
    }
    for state, step in product(TellingState, TellingStep):
        task = replace(opened(NOW), state=state)
        assert may(state, step) is ((state, step.value) in allowed)
        if may(state, step):
            moved = after(task, Said(step=step), at=at(1))
            assert (moved.state, moved.steps) == (allowed[state, step.value], 2)
        else:
            with pytest.raises(ValueError, match=f"a task that is {state.value} cannot be {step.value}"):
                after(task, Said(step=step), at=at(1))
    assert len(STEPS) == len(allowed)


@pytest.mark.parametrize(("state", "step"), [(OPEN, "changed"), (TOLD, "to be told again"), (CLOSED, "to be told again")])
def test_a_strip_that_changes_is_told_again(state: TellingState, step: str) -> None:
    """Whoever was told knows what does not stand; nobody was told yet: it is the same task."""
    assert changed_step(state).value == step
    told = replace(opened(NOW), state=state, turn=1, told_at=at(1) if state is not OPEN else None)
    moved = after(told, Said(step=changed_step(state)), at=at(9))
    assert moved.state is OPEN
    assert (moved.since, moved.turn, moved.told_at) == ((NOW, 1, None) if state is OPEN else (at(9), 0, None))


def test_it_is_overdue_to_the_minute_and_passed_on_along_the_list() -> None:
    """HZ-I01: twenty minutes a person; behind the last one once more, so that the history says that the list is used up."""
    task = opened(NOW)
    assert overdue_at(task, TERMS) == at(20)
    assert (is_overdue(task, TERMS, now=at(19.99)), is_overdue(task, TERMS, now=at(20))) == (False, True)
    assert (whose_turn(task, TERMS), next_turn_at(task, TERMS)) == (WARD, at(20))
    task = after(task, Said(step=TellingStep.PASSED_ON), at=at(21))
    assert (whose_turn(task, TERMS), next_turn_at(task, TERMS)) == (DOCTOR, at(41))
    task = after(task, Said(step=TellingStep.PASSED_ON), at=at(41))
    assert (whose_turn(task, TERMS), next_turn_at(task, TERMS)) == (None, None)
    assert is_overdue(task, TERMS, now=at(500))


def test_without_a_list_it_is_passed_on_once() -> None:
    """The step says in the history that the time ran out."""
    alone = TellingTerms(overdue_minutes=20)
    task = opened(NOW)
    assert (whose_turn(task, alone), next_turn_at(task, alone)) == (None, at(20))
    assert next_turn_at(after(task, Said(step=TellingStep.PASSED_ON), at=at(20)), alone) is None


def test_what_was_told_is_never_overdue() -> None:
    """Nor is it passed on. When it was told counts, not when that was written down."""
    told = after(opened(NOW), Said(step=TellingStep.TOLD, done_at=at(3)), at=at(40))
    assert told == Task(state=TOLD, steps=2, since=NOW, turn=0, turn_at=NOW, told_at=at(3))
    assert (is_overdue(told, TERMS, now=at(90)), next_turn_at(told, TERMS)) == (False, None)
    assert after(opened(NOW), Said(step=TellingStep.TOLD), at=at(4)).told_at == at(4)


@given(st.lists(st.tuples(st.sampled_from(TellingStep), st.integers(0, 90)), max_size=40))
def test_random_histories(happened: list[tuple[TellingStep, int]]) -> None:
    """HZ-I01: whatever is tried in whichever order, nothing is closed that nobody was told of since it last opened, but by a word that says so."""
    task, minute, kept = opened(NOW), 0, [TellingStep.OPENED]
    for step, minutes in happened:
        minute += minutes
        if not may(task.state, step):
            continue
        task = after(task, Said(step=step), at=at(minute))
        kept.append(step)
    assert task.steps == len(kept)
    last_open = max(n for n, step in enumerate(kept) if step in (TellingStep.OPENED, TellingStep.REOPENED))
    since = kept[last_open + 1 :]
    ends = {TellingStep.CLOSED_UNTOLD, TellingStep.REPEAT}
    is_told = TellingStep.TOLD in since
    assert (task.told_at is not None) is is_told
    assert task.turn == since.count(TellingStep.PASSED_ON)
    if task.state is CLOSED:
        assert (is_told and since[-1] is TellingStep.CLOSED) or since[-1] in ends
    else:
        assert task.state is (TOLD if is_told else OPEN)
        assert not ends & set(since)
    assert is_overdue(task, TERMS, now=at(minute)) is (task.state is OPEN and at(minute) - task.since >= timedelta(minutes=20))


def test_the_page_has_every_step() -> None:
    """What docs/telling.md says may follow is the table that the program moves by."""
    page = (Path(__file__).parents[2] / "docs" / "telling.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\w+) \| ([\w, ]+) \| (\w+) \|$", page, re.MULTILINE)
    assert rows[1:] == [(state.value, step.value, STEPS[state, step].value) for state, step in STEPS]
