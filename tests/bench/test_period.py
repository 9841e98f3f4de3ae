"""Days and months of the site's calendar; days on which clocks are changed have 23 and 25 hours."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.period import Period, month_of, period_of

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.mark.parametrize("name", ["2026-11-25", "2026-02", "2024-02-29"])
def test_a_name_and_its_period(name: str) -> None:
    assert period_of(name).name == name


@pytest.mark.parametrize(
    "name", ["", "2026", "2026-13", "2026-2", "2026-11-31", "2026-W48", "2026-W48-1", "20261125", "0001-01", "9999-12-31", "9999-12", "٢٠٢٦-11"]
)  # fmt: skip
def test_what_is_no_period(name: str) -> None:
    """It says what one looks like."""
    with pytest.raises(ValueError, match="2026-11-25"):
        period_of(name)


def test_before_and_after() -> None:
    """A day's neighbours are days, a month's are months, across a year."""
    day, month = period_of("2026-12-31"), period_of("2027-01")
    assert (day.before.name, day.after.name, day.month.name) == ("2026-12-30", "2027-01-01", "2026-12")
    assert (month.before.name, month.after.name) == ("2026-12", "2027-02")
    assert len(month.days) == 31
    assert not month.is_day


def test_a_day_on_which_clocks_change() -> None:
    """European Union, directive 2000/84/EC: the last Sundays of March and October."""
    spring, autumn = period_of("2026-03-29"), period_of("2026-10-25")
    assert spring.bounds(LISBON) == (datetime(2026, 3, 29, tzinfo=UTC), datetime(2026, 3, 29, 23, tzinfo=UTC))
    assert autumn.bounds(LISBON) == (datetime(2026, 10, 24, 23, tzinfo=UTC), datetime(2026, 10, 26, tzinfo=UTC))
    assert spring.clock_changes(LISBON) == ((date(2026, 3, 29), 23 * 60),)
    assert period_of("2026-10").clock_changes(LISBON) == ((date(2026, 10, 25), 25 * 60),)
    assert period_of("2026-11").clock_changes(LISBON) == ()
    # half an hour: Lord Howe Island, in the tz database
    assert period_of("2026-10-04").clock_changes(ZoneInfo("Australia/Lord_Howe")) == ((date(2026, 10, 4), 23 * 60 + 30),)


@given(
    day=st.dates(date(1990, 1, 1), date(2100, 1, 1)), zone=st.sampled_from(["Europe/Lisbon", "America/Lima", "Asia/Kathmandu"])
)
def test_days_follow_each_other_without_a_hole(day: date, zone: str) -> None:
    """The end of a day is the beginning of the next, and a month is its days."""
    local = ZoneInfo(zone)
    one = Period(day, day)
    assert one.bounds(local)[1] == one.after.bounds(local)[0]
    assert one.after.before == one
    month = month_of(day)
    assert month.first.day == 1
    assert (month.last + timedelta(days=1)).day == 1
    assert day in month.days
    assert month.bounds(local)[1] == month.after.bounds(local)[0]
