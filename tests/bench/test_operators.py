"""Whose a number is: on the days of its entry, at its analyzer, and nowhere else at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.operators import AT_ONCE, Operator, Presence, Register
from bridge.model import OperatorFacts, OperatorState

ANA = Operator(
    analyzer="bench-a", number="12", name="Ana Reis", since=date(2026, 11, 1), until=date(2026, 11, 30), competency_due=date(2026, 11, 20)
)  # fmt: skip
BEN = replace(ANA, name="Ben Sund", since=date(2026, 12, 1), until=None, competency_due=None)
S = OperatorState


@pytest.mark.parametrize(
    ("number", "on", "said"),
    [
        ("12", date(2026, 10, 31), OperatorFacts(state=S.EXPIRED, name="Ben Sund")),
        ("12", date(2026, 11, 1), OperatorFacts(state=S.KNOWN, name="Ana Reis")),
        ("12", date(2026, 11, 20), OperatorFacts(state=S.KNOWN, name="Ana Reis")),
        ("12", date(2026, 11, 21), OperatorFacts(state=S.COMPETENCY_DUE, name="Ana Reis")),
        ("12", date(2026, 11, 30), OperatorFacts(state=S.COMPETENCY_DUE, name="Ana Reis")),
        ("12", date(2026, 12, 1), OperatorFacts(state=S.KNOWN, name="Ben Sund")),
        ("13", date(2026, 11, 2), OperatorFacts(state=S.UNKNOWN)),
        ("", date(2026, 11, 2), OperatorFacts(state=S.BLANK)),
    ],
)
def test_a_number_is_its_persons_on_its_days(number: str, on: date, said: OperatorFacts) -> None:
    """Hazard HZ-D15: both ends of an entry and the day of the training are in order; a number may be another's later."""
    assert Register([ANA, BEN]).says("bench-a", number, on=on) == said


def test_an_analyzer_without_entries_is_not_asked_about() -> None:
    """A site that enters nobody there has no findings there."""
    register = Register([ANA])
    assert (register.asks("bench-a"), register.asks("bench-b"), Register().asks("bench-a")) == (True, False, False)
    assert register.says("bench-b", "12", on=ANA.since).state is S.UNKNOWN


DAYS = st.dates(date(2026, 1, 1), date(2026, 1, 20))


@given(DAYS, DAYS, DAYS, st.one_of(st.none(), DAYS))
def test_two_entries_overlap_where_one_day_is_both_theirs(a: date, b: date, c: date, d: date | None) -> None:
    """Against every day of the weeks; symmetric; another number or analyzer never overlaps."""
    one, other = replace(ANA, since=a, until=b), replace(ANA, since=c, until=d)
    days = [date(2026, 1, 1) + timedelta(days=day) for day in range(40)]
    both = any(a <= day <= b and c <= day <= (d or date.max) for day in days)
    if a <= b and (d is None or c <= d):
        assert one.overlaps(other) is other.overlaps(one) is both
    assert not one.overlaps(replace(other, number="13"))
    assert not one.overlaps(replace(other, analyzer="bench-b"))


def test_one_person_is_at_one_analyzer_at_once() -> None:
    """Hazard HZ-D15: the same person at two analyzers inside two minutes is two people; case and blanks of the name are nothing."""
    seen, at = Presence(), datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    assert seen.elsewhere("Ana Reis", "bench-a", at) == ""
    assert seen.elsewhere("Ana Reis", "bench-a", at + timedelta(seconds=1)) == ""
    assert seen.elsewhere(" ana  reis", "bench-b", at + AT_ONCE) == "bench-a"
    assert seen.elsewhere("Ben Sund", "bench-a", at + AT_ONCE) == ""
    assert seen.elsewhere("Ana Reis", "bench-a", at + 2 * AT_ONCE) == ""  # she walked
