"""Opening and quiet hours on the site's own clock, over midnight and over the change of the clocks."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from bridge.signals.hours import EVERY_DAY, Hours, last_of, open_since, quiet_until, within

LISBON = ZoneInfo("Europe/Lisbon")  # UTC in winter
WEEK = Hours(days=frozenset(range(5)), start=time(7), end=time(19))
NIGHT = Hours(days=EVERY_DAY, start=time(22), end=time(6))
ALWAYS = Hours(days=EVERY_DAY, start=time(0), end=time(0))


def at(day: int, hour: int, minute: int = 0) -> datetime:
    """Give a time of November 2026; the 27th is a Friday."""
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("now", "since"),
    [(at(27, 6, 59), None), (at(27, 7), at(27, 7)), (at(27, 18, 59), at(27, 7)), (at(27, 19), None), (at(28, 12), None)],
)
def test_a_laboratory_is_open_on_its_days(now: datetime, since: datetime | None) -> None:
    """The first minute counts, the last one does not; Saturday is closed."""
    assert open_since([WEEK], now=now, zone=LISBON) == since


def test_periods_that_meet_are_one() -> None:
    """Open all day and every day, it was open all the week; a second shift goes on where the first ends."""
    assert open_since([ALWAYS], now=at(27, 3), zone=LISBON) == at(20, 0)
    late = Hours(days=frozenset({4}), start=time(19), end=time(23))
    assert open_since([WEEK, late], now=at(27, 22), zone=LISBON) == at(27, 7)
    assert open_since([], now=at(27, 9), zone=LISBON) is None


def test_quiet_hours_go_over_midnight() -> None:
    """They end in the morning, whichever side of midnight it is."""
    assert quiet_until(NIGHT, now=at(27, 23), zone=LISBON) == at(28, 6)
    assert quiet_until(NIGHT, now=at(27, 5, 59), zone=LISBON) == at(27, 6)
    assert quiet_until(NIGHT, now=at(27, 6), zone=LISBON) is None
    assert quiet_until(None, now=at(27, 23), zone=LISBON) is None


def test_hours_are_local() -> None:
    """In the night in which the clocks go back (25 October 2026, 02:00 to 01:00) quiet hours have one hour more."""
    span = within(NIGHT, now=datetime(2026, 10, 25, 3, tzinfo=UTC), zone=LISBON)
    assert span == (datetime(2026, 10, 24, 21, tzinfo=UTC), datetime(2026, 10, 25, 6, tzinfo=UTC))


def test_the_last_of_a_days_times_is_found_by_the_sites_clock() -> None:
    """Today's that has come, else yesterday's; where the clock is set back over one, its first coming counts (Lisbon: 25 October 2026, from 02:00 to 01:00)."""
    times = (time(1, 30), time(23, 30))

    def last(day: int, hour: int, minute: int) -> datetime | None:
        return last_of(times, now=datetime(2026, 10, day, hour, minute, tzinfo=UTC), zone=LISBON)

    assert last(24, 0, 29) == datetime(2026, 10, 23, 22, 30, tzinfo=UTC)
    assert last(24, 0, 30) == datetime(2026, 10, 24, 0, 30, tzinfo=UTC)
    assert last(24, 22, 30) == datetime(2026, 10, 24, 22, 30, tzinfo=UTC)
    assert last(25, 0, 30) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert last(25, 1, 45) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert last(25, 23, 30) == datetime(2026, 10, 25, 23, 30, tzinfo=UTC)
    assert last_of((), now=datetime(2026, 10, 25, tzinfo=UTC), zone=LISBON) is None
