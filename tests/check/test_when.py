"""Printed date and time to an instant, in the analyzer's zone, with the two bad hours of the year."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check.when import TimeFault, When, printed_when
from bridge.tables.types import Profile
from tests.check.tables_for_tests import DAILY, DAY_ONLY, ONE_FIELD, UNDATED, ZONE, printed


def _when(profile: Profile, day: str | None, clock: str | None = None) -> When:
    return printed_when(profile, None if day is None else printed(day), None if clock is None else printed(clock))


def test_two_fields_or_one_give_the_same_instant() -> None:
    """Winter time in Berlin is an hour ahead of UTC."""
    at = datetime(2026, 11, 25, 8, 58, tzinfo=UTC)
    assert _when(DAILY, "2026-11-25", "09:58") == When(day=date(2026, 11, 25), at=at, fault=None)
    assert _when(ONE_FIELD, "20261125095800") == When(day=date(2026, 11, 25), at=at, fault=None)
    assert _when(DAILY, "2026-07-01", "09:58").at == datetime(2026, 7, 1, 7, 58, tzinfo=UTC)


def test_a_printed_offset_is_believed() -> None:
    """An analyzer that prints its offset has no bad hour; the day is still the local one."""
    with_offset = replace(DAILY, date_format="%Y-%m-%dT%H:%M%z", time_format="")
    assert _when(with_offset, "2026-10-25T23:30+0000") == When(
        day=date(2026, 10, 26), at=datetime(2026, 10, 25, 23, 30, tzinfo=UTC), fault=None
    )


@pytest.mark.parametrize(
    ("profile", "day", "clock", "expected"),
    [
        (DAILY, None, "09:58", When(day=None, at=None, fault=TimeFault.MISSING)),
        (DAILY, "", "09:58", When(day=None, at=None, fault=TimeFault.MISSING)),
        (DAILY, "2026-11-25", None, When(day=date(2026, 11, 25), at=None, fault=TimeFault.MISSING)),
        (UNDATED, None, None, When(day=None, at=None, fault=TimeFault.NOT_PRINTED)),
        (DAY_ONLY, "2026-11-25", None, When(day=date(2026, 11, 25), at=None, fault=TimeFault.NOT_PRINTED)),
        (DAILY, "2026-02-29", "09:58", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "2026-11-25", "24:00", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "25.11.2026", "09:58", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "2026-11-25", "09:58:00", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (ONE_FIELD, "20261125235960", None, When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "0026-11-25", "09:58", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "0001-01-01", "00:10", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
        (DAILY, "9999-12-31", "23:59", When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)),
    ],
)
def test_what_is_absent_or_impossible_is_named(profile: Profile, day: str | None, clock: str | None, expected: When) -> None:
    """Another date format than the declared one is impossible, never a guess; a leap second is no time of day."""
    assert _when(profile, day, clock) == expected


def test_the_hour_that_was_skipped_is_found() -> None:
    """On 2026-03-29 Berlin went from 02:00 to 03:00 (EU directive 2000/84/EC, art. 2): 02:30 never was."""
    skipped = _when(DAILY, "2026-03-29", "02:30")
    assert skipped.fault is TimeFault.SKIPPED_HOUR
    assert skipped.at == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)  # 03:30 summer time: the clock ran on by the old offset
    assert skipped.at is not None
    assert f"{skipped.at:%H:%M}" == "03:30"
    assert _when(DAILY, "2026-03-29", "01:59").fault is None
    assert _when(DAILY, "2026-03-29", "03:00").fault is None


def test_the_hour_that_came_twice_is_found() -> None:
    """On 2026-10-25 Berlin went from 03:00 back to 02:00 (same directive, art. 3): 02:30 came twice."""
    twice = _when(DAILY, "2026-10-25", "02:30")
    assert (twice.day, twice.fault) == (date(2026, 10, 25), TimeFault.REPEATED_HOUR)
    assert twice.at is not None
    assert twice.at.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # the first of the two
    assert _when(DAILY, "2026-10-25", "01:59").fault is None
    assert _when(DAILY, "2026-10-25", "03:00").fault is None


@given(st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)))
def test_every_instant_comes_back_or_is_called_ambiguous(at: datetime) -> None:
    """What an analyzer with a right clock prints is read as that instant; only the repeated hour leaves two."""
    at = at.replace(second=0, microsecond=0)
    local = at.astimezone(ZONE)
    when = _when(DAILY, f"{local:%Y-%m-%d}", f"{local:%H:%M}")
    assert when.day == local.date()
    if when.fault is None:
        assert when.at == at
    else:
        assert when.fault is TimeFault.REPEATED_HOUR
        assert when.at is not None
        assert (at - when.at).total_seconds() in (0, 3600)


@given(st.text(max_size=20), st.text(max_size=12), st.sampled_from([DAILY, DAY_ONLY, ONE_FIELD, UNDATED]))
def test_no_text_breaks_the_clock(day: str, clock: str, profile: Profile) -> None:
    """Whatever a torn line holds, there is an answer: an aware time, or a fault."""
    when = _when(profile, day, clock)
    assert (when.at is None) <= (when.fault is not None)
    assert when.at is None or when.at.tzinfo == ZoneInfo("Europe/Berlin")
