"""What breaks a run of strips, case by case and against a plain reckoning. HZ-A10 of the hazard table is about this."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.shift import Read, RunTerms, broken_by, is_late
from bridge.model import RunState, SeriesState, StripKey

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SERIES = "2026-11-25"
TERMS = RunTerms(pause=timedelta(minutes=5), jump_limit=100)
FIVE_TO_SEVEN = "5 to 7 were read and never arrived"


def at(minute: float) -> datetime:
    return NOW + timedelta(minutes=minute)


def key(number: str, series: str = SERIES) -> StripKey:
    return StripKey(analyzer="bench-1", mode="routine", series=series, number=number)


def cause(
    number: str, minute: float, *, series: str = SERIES, last: int | None = 4, printed: bool = True, **state: object
) -> str:
    """Say what breaks the run before a strip so many minutes after the last one, whose number was ``last``."""
    before = RunState(**{"printed_at": NOW if printed else None, "arrived_at": NOW, **state})  # type: ignore[arg-type] # a state's own fields
    newest = None if last is None else SeriesState(series=SERIES, last_number=last, last_printed_at=NOW)
    return broken_by(key(number, series), Read(printed_at=at(minute), arrived_at=at(minute)), before, newest, TERMS)


@pytest.mark.parametrize(
    ("number", "minute", "found"),
    [
        ("5", 1, ""),
        ("5", 5, ""),
        ("6", 2, "5 was read and never arrived"),
        ("8", 4, FIVE_TO_SEVEN),
        ("8", 20, FIVE_TO_SEVEN),  # the missing ones took their time too: four steps of five minutes
        ("8", 20.1, ""),
        ("504", 5, "5 to 503 were read and never arrived"),  # set by hand: that took no time
        ("504", 5.1, ""),
        ("3", 1, ""),  # a counter that began anew within the minute, or a conflict: other rules look at it
        ("", 1, ""),
    ],
)
def test_a_gap_breaks_a_run_that_no_pause_ended(number: str, minute: float, found: str) -> None:
    """By the strip's own number and printed time."""
    assert cause(number, minute) == found
    assert cause(number, minute, printed=False) == found  # arrival stands for what was not printed


def test_only_the_same_series_can_have_a_gap() -> None:
    """Numbers that start again each day are no gap (a fact of the trade); the first strip ever has nothing before it."""
    assert cause("8", 4, series="2026-11-26") == ""
    assert cause("8", 4, series="") == ""
    assert cause("8", 4, last=None) == ""
    assert broken_by(key("8"), Read(printed_at=None, arrived_at=NOW), None, None, TERMS) == ""


def test_an_error_and_a_broken_run_go_on_to_the_next_strip() -> None:
    """Until a pause ends the run."""
    assert cause("5", 1, has_fault=True) == "the strip before ended in an error"
    assert cause("6", 1, has_fault=True) == "5 was read and never arrived"
    assert cause("5", 1, broken_by="x") == cause("8", 1, broken_by="x") == "x"
    assert cause("5", 6, has_fault=True) == cause("5", 6, broken_by="x") == ""


def test_a_late_strip_tells_nothing_of_the_run() -> None:
    """It was read before the last one."""
    state = RunState(printed_at=NOW, arrived_at=NOW, broken_by="x")
    late = Read(printed_at=at(-1), arrived_at=at(1))
    assert is_late(late, state) is True
    assert broken_by(key("8"), late, state, SeriesState(series=SERIES, last_number=4, last_printed_at=NOW), TERMS) == ""
    assert is_late(Read(printed_at=None, arrived_at=at(-1)), state) is False


@given(st.lists(st.tuples(st.integers(1, 3), st.floats(0.1, 12)), max_size=30))
def test_a_run_is_broken_from_its_first_gap_to_its_pause(steps: list[tuple[int, float]]) -> None:
    """Strip by strip against keeping in mind whether the present run has a gap."""
    state, number, minute, broken = RunState(printed_at=NOW, arrived_at=NOW), 1, 0.0, False
    for step, wait in steps:
        minute += wait
        read = Read(printed_at=at(minute), arrived_at=at(minute))
        newest = SeriesState(series=SERIES, last_number=number, last_printed_at=state.printed_at)
        number += step
        assert state.printed_at is not None
        found = broken_by(key(str(number)), read, state, newest, TERMS)
        goes_on = at(minute) - state.printed_at <= TERMS.pause * step
        broken = goes_on and (broken or step > 1)
        assert bool(found) is broken
        state = RunState(printed_at=at(minute), arrived_at=at(minute), broken_by=found)
