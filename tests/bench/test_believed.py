"""When a strip was read, for its place in the count. The worked times are invented; zones by the tz database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.believed import A_DAY, FARTHEST_AHEAD, read_at, swapped

BERLIN = ZoneInfo("Europe/Berlin")
ARRIVED = datetime(2026, 10, 9, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("printed", "read"),
    [
        (ARRIVED - MINUTE, ARRIVED - MINUTE),
        (ARRIVED - 40 * A_DAY, ARRIVED - 40 * A_DAY),  # from the memory
        (ARRIVED + 15 * MINUTE, ARRIVED + 15 * MINUTE),
        (ARRIVED + 16 * MINUTE, None),
        (ARRIVED + A_DAY, None),
        (ARRIVED + 3650 * A_DAY, None),
        (datetime(2026, 9, 10, 9, 55, tzinfo=BERLIN), datetime(2026, 10, 9, 7, 55, tzinfo=UTC)),
        (datetime(2026, 10, 8, 9, 55, tzinfo=BERLIN), datetime(2026, 10, 8, 7, 55, tzinfo=UTC)),  # of yesterday
        (datetime(2025, 9, 10, 9, 55, tzinfo=BERLIN), datetime(2025, 9, 10, 7, 55, tzinfo=UTC)),  # of another year
    ],
)
def test_the_printed_time_counts_unless_the_arrival_shows_that_it_cannot_be(printed: datetime, read: datetime | None) -> None:
    """HZ-D08 and HZ-D10: ahead beyond a clock set by hand it tells nothing; with day and month exchanged it is taken the other way round."""
    assert read_at(printed, ARRIVED) == read


def test_what_prints_no_time_tells_none() -> None:
    """Nothing is made up."""
    assert read_at(None, ARRIVED) is None


@given(st.timedeltas(timedelta(days=-4000), timedelta(days=4000)))
def test_no_strip_is_read_after_it_arrived(age: timedelta) -> None:
    """Whatever is printed, but for the minutes that a clock may be ahead."""
    read = read_at((ARRIVED - age).astimezone(BERLIN), ARRIVED)
    assert read is None or read <= ARRIVED + FARTHEST_AHEAD
    assert read is not None or age < timedelta()


def test_days_beyond_the_twelfth_have_one_reading() -> None:
    """And a day that equals its month is no other day."""
    assert swapped(datetime(2026, 10, 13, tzinfo=UTC)) is None
    assert swapped(datetime(2026, 10, 10, tzinfo=UTC)) is None
    assert swapped(datetime(2026, 3, 1, 4, 5, tzinfo=UTC)) == datetime(2026, 1, 3, 4, 5, tzinfo=UTC)
