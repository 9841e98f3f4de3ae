"""The control day and what comes due by the clock, against counting hours one by one and against known changes of summer time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.control_day import day_of, first_due
from bridge.tables.control_table import GatePolicy, ShutDoes

LISBON = ZoneInfo("Europe/Lisbon")


def policy(starts: str = "06:00", *shifts: str, each_day: bool = True, zone: ZoneInfo = LISBON) -> GatePolicy:
    """Give a policy of times."""
    return GatePolicy(
        levels=frozenset({"1"}),
        zone=zone,
        shut=ShutDoes.HOLD,
        day_starts=time.fromisoformat(starts),
        shifts=tuple(time.fromisoformat(each) for each in shifts),
        each_day=each_day,
    )


def local(text: str, zone: ZoneInfo = LISBON) -> datetime:
    """Give a wall-clock time of the site."""
    return datetime.fromisoformat(text).replace(tzinfo=zone)


@pytest.mark.parametrize(
    ("at", "day"),
    [
        ("2026-11-25T06:00", "2026-11-25"),
        ("2026-11-25T05:59:59.999999", "2026-11-24"),
        ("2026-11-25T23:59", "2026-11-25"),
        ("2026-11-26T00:00", "2026-11-25"),
        ("2027-01-01T05:00", "2026-12-31"),
    ],
)
def test_a_day_begins_at_the_sites_hour(at: str, day: str) -> None:
    """A night shift's controls belong to the day on which the shift began."""
    assert day_of(local(at), policy()) == date.fromisoformat(day)
    assert day_of(local(at).astimezone(UTC), policy()) == date.fromisoformat(day)  # whatever zone the instant is written in


def test_days_follow_summer_time() -> None:
    """Lisbon's clocks went from 02:00 back to 01:00 on 2026-10-25 and go from 01:00 to 02:00 on 2027-03-28 (tz database)."""
    assert first_due(local("2026-10-25T00:30"), local("2026-10-25T12:00"), policy("01:30")) == datetime(
        2026, 10, 25, 0, 30, tzinfo=UTC
    )
    assert first_due(local("2027-03-28T00:30"), local("2027-03-28T12:00"), policy("01:30")) == datetime(
        2027, 3, 28, 1, 30, tzinfo=UTC
    )


def test_what_came_due_first() -> None:
    """After a long silence the oldest due time counts: a time of grace began then, and is over."""
    shifts = policy("06:00", "14:00", "22:00")
    due = first_due(local("2026-11-20T07:00"), local("2026-11-25T15:00"), shifts)
    assert due == local("2026-11-20T14:00")
    assert first_due(local("2026-11-25T14:00"), local("2026-11-25T21:59"), shifts) is None  # that one was counted at its time
    assert first_due(local("2026-11-25T13:59"), local("2026-11-25T14:00"), shifts) == local("2026-11-25T14:00")
    assert first_due(local("2026-11-24T23:00"), local("2026-11-25T00:30"), shifts) is None
    assert first_due(local("2026-11-20T07:00"), local("2026-11-25T15:00"), policy(each_day=False)) is None


minutes = st.integers(0, 3 * 24 * 60)


@given(
    st.sampled_from(["Europe/Lisbon", "America/St_Johns", "Asia/Kathmandu", "UTC"]),
    minutes,
    minutes,
    st.integers(0, 23),
    st.integers(0, 23),
)
def test_due_times_against_counting_minutes(zone: str, first: int, second: int, starts: int, shift: int) -> None:
    """Walk from one instant to the other minute by minute, over a change of summer time: the first time that the wall clock showed a due time."""
    here = ZoneInfo(zone)
    begun = datetime(2026, 10, 24, 0, 0, tzinfo=UTC)  # Europe changes on the 25th; St John's on 1 November, outside these days
    begin, end = sorted((begun + timedelta(minutes=first), begun + timedelta(minutes=second)))
    due = policy(f"{starts:02}:00", f"{shift:02}:30", zone=here)
    walked = [begin + timedelta(minutes=count) for count in range(1, int((end - begin) / timedelta(minutes=1)) + 1)]
    shown = [
        at for at in walked if (local_at := at.astimezone(here)).fold == 0 and local_at.time() in {due.day_starts, *due.shifts}
    ]
    assert first_due(begin, end, due) == (shown[0] if shown else None)
