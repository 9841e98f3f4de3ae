"""What a person types is the clock on the wall: every hour of the year has its instant, and the two bad nights are asked about."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.desk.typed_time import typed_time
from bridge.errors import RefusedAction

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")


@pytest.mark.parametrize(
    ("day", "clock", "zone", "at"),
    [
        ("2026-11-25", "13:05", BERLIN, datetime(2026, 11, 25, 12, 5, tzinfo=UTC)),
        (" 2026-07-01 ", "13:05:30", BERLIN, datetime(2026, 7, 1, 11, 5, 30, tzinfo=UTC)),
        ("2026-11-25", "00:00", NEW_YORK, datetime(2026, 11, 25, 5, 0, tzinfo=UTC)),
    ],
)
def test_a_plain_time_is_the_sites(day: str, clock: str, zone: ZoneInfo, at: datetime) -> None:
    """Winter and summer, and midnight."""
    assert typed_time(day, clock, which="", zone=zone) == at


@pytest.mark.parametrize(
    ("zone", "day", "clock", "first"),
    [
        (BERLIN, "2026-10-25", "02:30", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        (NEW_YORK, "2026-11-01", "01:30", datetime(2026, 11, 1, 5, 30, tzinfo=UTC)),
    ],
)
def test_an_hour_that_came_twice_is_asked_about(zone: ZoneInfo, day: str, clock: str, first: datetime) -> None:
    """Hazard HZ-D09: both nights, as zoneinfo has them; nobody guesses which of the two hours was meant."""
    assert typed_time(day, clock, which="first", zone=zone).astimezone(UTC) == first
    assert typed_time(day, clock, which="second", zone=zone).astimezone(UTC) == first + timedelta(hours=1)
    with pytest.raises(RefusedAction, match="came twice"):
        typed_time(day, clock, which="", zone=zone)


@pytest.mark.parametrize(("zone", "day"), [(BERLIN, "2026-03-29"), (NEW_YORK, "2026-03-08")])
def test_an_hour_that_never_was_is_refused(zone: ZoneInfo, day: str) -> None:
    """The clocks went from two to three."""
    with pytest.raises(RefusedAction, match="never was"):
        typed_time(day, "02:30", which="first", zone=zone)
    assert typed_time(day, "03:00", which="", zone=zone) - typed_time(day, "01:59", which="", zone=zone) == timedelta(
        hours=1, minutes=1
    )


@pytest.mark.parametrize(
    ("day", "clock"),
    [("", "13:05"), ("25.11.2026", "13:05"), ("2026-02-29", "13:05"), ("2026-11-25", "25:00"), ("2026-11-25", "1 pm")],
)
def test_what_is_no_time_is_refused(day: str, clock: str) -> None:
    """In words that show how to write it."""
    with pytest.raises(RefusedAction, match="Write the date as 2026-11-25 and the time as 13:05"):
        typed_time(day, clock, which="", zone=BERLIN)


def test_an_offset_is_refused() -> None:
    """Two clocks in one field would contradict each other."""
    with pytest.raises(RefusedAction, match="without an offset"):
        typed_time("2026-11-25", "13:05+00:00", which="", zone=BERLIN)


@given(st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1), timezones=st.sampled_from([BERLIN, NEW_YORK])))
def test_every_instant_of_a_year_can_be_typed(at: datetime) -> None:
    """What the clock on the wall showed comes back as the instant at which it did."""
    wall = at.astimezone(UTC).astimezone(at.tzinfo)
    which = "second" if wall.fold else "first"
    zone = at.tzinfo
    assert isinstance(zone, ZoneInfo)
    typed = typed_time(f"{wall:%Y-%m-%d}", wall.time().isoformat(), which=which, zone=zone)
    assert typed.astimezone(UTC) == at.astimezone(UTC)
