"""Rules of the printed date and time, to the minute of each limit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.check.timing import time_legible, time_plausible
from bridge.check.when import TimeFault, When, printed_when
from bridge.model import Finding, Place, Severity
from tests.check.tables_for_tests import ARRIVED, DAILY, ZONE, printed


def _plausible(at: datetime | None, arrived_at: datetime = ARRIVED) -> tuple[Finding, ...]:
    return time_plausible(at, None, arrived_at=arrived_at, future_tolerance=timedelta(minutes=15), oldest=timedelta(days=30))


@pytest.mark.parametrize(
    ("at", "rule"),
    [
        (ARRIVED, None),
        (ARRIVED + timedelta(minutes=15), None),
        (ARRIVED + timedelta(minutes=15, seconds=1), "time.future"),
        (ARRIVED + timedelta(days=366), "time.future"),
        (ARRIVED - timedelta(days=30), None),
        (ARRIVED - timedelta(days=30, seconds=1), "time.too_old"),
        (None, None),
    ],
)
def test_a_time_must_lie_near_its_arrival(at: datetime | None, rule: str | None) -> None:
    """A clock set wrong by minutes to years puts results on the wrong day; a person looks, and may release."""
    found = _plausible(at.astimezone(ZONE) if at else None)
    assert [each.rule for each in found] == ([rule] if rule else [])
    assert all(each.severity is Severity.HOLD and each.releasable for each in found)


def test_the_sentence_names_both_times_on_the_analyzers_clock() -> None:
    """The technician compares with the clock on the analyzer, not with UTC."""
    (found,) = _plausible((ARRIVED + timedelta(hours=11)).astimezone(ZONE))
    assert found.sentence == "The strip says 2026-11-25 21:00, but it arrived before that, at 2026-11-25 10:00."
    (found,) = _plausible((ARRIVED - timedelta(days=40)).astimezone(ZONE))
    assert found.sentence == "The strip says 2026-10-16 11:00, which is more than 30 days before it arrived."


@pytest.mark.parametrize(
    ("at", "arrived_at", "rule"),
    [
        (ARRIVED + timedelta(hours=12, minutes=2), ARRIVED, "time.half_day"),
        (ARRIVED + timedelta(hours=11, minutes=58), ARRIVED, "time.half_day"),
        (datetime(2026, 10, 25, 9, 0, tzinfo=UTC), datetime(2026, 10, 25, 8, 0, tzinfo=UTC), "time.clock_change"),
        (datetime(2026, 12, 3, 9, 0, tzinfo=UTC), datetime(2026, 3, 12, 9, 5, tzinfo=UTC), "time.day_month"),
        (datetime(2026, 3, 12, 9, 0, tzinfo=UTC), datetime(2026, 12, 3, 9, 5, tzinfo=UTC), "time.day_month"),
    ],
)
def test_a_usual_cause_is_named(at: datetime, arrived_at: datetime, rule: str) -> None:
    """Hazards HZ-K06, HZ-D09 and HZ-D10: what would be held anyway says what is likely set wrong, files and lines alike."""
    assert [each.rule for each in _plausible(at.astimezone(ZONE), arrived_at)] == [rule]


def test_a_date_the_other_way_round_is_held_at_any_age() -> None:
    """Hazard HZ-D10: 9 October as the 10th of September, a month that the site allows files to wait; a day beside it is an old file."""
    arrived = datetime(2026, 10, 9, 9, 5, tzinfo=UTC)
    assert [each.rule for each in _plausible(datetime(2026, 9, 10, 9, 0, tzinfo=UTC), arrived)] == ["time.day_month"]
    assert _plausible(datetime(2026, 9, 12, 9, 0, tzinfo=UTC), arrived) == ()
    assert _plausible(datetime(2026, 10, 8, 21, 5, tzinfo=UTC), arrived) == ()  # half a day old is no wrong half of the day


def test_a_clock_change_in_between_makes_no_hour() -> None:
    """Arrived half an hour after the clocks went back: ten minutes are ten minutes, on whatever faces."""
    read_at = datetime(2026, 10, 25, 0, 50, tzinfo=UTC).astimezone(ZONE)
    assert _plausible(read_at, datetime(2026, 10, 25, 1, 0, tzinfo=UTC)) == ()
    early = datetime(2026, 10, 25, 1, 20, tzinfo=UTC).astimezone(ZONE)
    assert [each.rule for each in _plausible(early, datetime(2026, 10, 25, 1, 0, tzinfo=UTC))] == ["time.future"]


@pytest.mark.parametrize(
    ("fault", "is_live", "rule", "severity"),
    [
        (None, True, None, None),
        (TimeFault.NOT_PRINTED, True, "time.arrival_used", Severity.NOTE),
        (TimeFault.NOT_PRINTED, False, "time.missing", Severity.HOLD),
        (TimeFault.MISSING, True, "time.missing", Severity.HOLD),
        (TimeFault.IMPOSSIBLE, True, "time.impossible", Severity.REJECT),
        (TimeFault.SKIPPED_HOUR, True, "time.skipped_hour", Severity.HOLD),
        (TimeFault.REPEATED_HOUR, True, "time.repeated_hour", Severity.HOLD),
    ],
)
def test_each_fault_of_the_clock_has_its_rule(
    fault: TimeFault | None, is_live: bool, rule: str | None, severity: Severity | None
) -> None:
    """Only an analyzer that never prints a time, on a live line, may lend its arrival; a file says nothing of when."""
    found = time_legible(When(day=None, at=None, fault=fault), None, None, is_live=is_live)
    assert [(each.rule, each.severity) for each in found] == ([(rule, severity)] if rule else [])


def test_the_bad_hours_are_told_in_words() -> None:
    """On the two nights of clock change the technician reads what happened and what a release would mean."""
    day, clock = printed("2026-03-29", 4), printed("02:30", 15)
    (found,) = time_legible(printed_when(DAILY, printed("2026-03-29"), printed("02:30")), day, clock, is_live=True)
    assert found.sentence == (
        "2026-03-29 02:30 never was: the clocks went forward over that hour. As it stands it would count as 03:30."
    )
    assert found.place == Place(start=4, end=14)
    (found,) = time_legible(
        printed_when(DAILY, printed("2026-10-25"), printed("02:30")), printed("2026-10-25"), clock, is_live=True
    )
    assert found.sentence == (
        "2026-10-25 02:30 came twice: the clocks went back over that hour. As it stands it would count as the first of the two."
    )
    (found,) = time_legible(printed_when(DAILY, printed("31.02."), printed("02:30")), printed("31.02."), clock, is_live=True)
    assert found.sentence == "“31.02. 02:30” is not a date and time of this analyzer."
