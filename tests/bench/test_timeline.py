"""The course of a day reckoned by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.timeline import Hour, Move, Outage, hours_of, outages_of

BERLIN, KATHMANDU = ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kathmandu")
DAY = datetime(2026, 11, 25, tzinfo=UTC)


def at(hour: int, minute: int = 0) -> datetime:
    return DAY + timedelta(hours=hour, minutes=minute)


def test_minutes_add_up_to_the_hours_of_the_site() -> None:
    """An hour without a strip is shown too; Kathmandu's hours begin at a quarter past those of UTC (tz database: +05:45)."""
    minutes = [(at(8, 1), 2, 0), (at(8, 59), 1, 1), (at(10, 0), 4, 0)]
    assert [(hour.start.hour, hour.strips, hour.stopped) for hour in hours_of(minutes, BERLIN)] == [
        (9, 3, 1),
        (10, 0, 0),
        (11, 4, 0),
    ]
    (first, *_, last) = hours_of(minutes, KATHMANDU)
    assert first == Hour(start=at(7, 15).astimezone(KATHMANDU), strips=2, stopped=0)
    assert (first.start.hour, first.start.minute) == (13, 0)
    assert last == Hour(start=at(9, 15).astimezone(KATHMANDU), strips=4, stopped=0)
    assert hours_of([], BERLIN) == ()


def test_an_hour_that_comes_twice_is_two() -> None:
    """On 25 October 2026 Berlin's clocks go back from 03:00 to 02:00 (tz database)."""
    night = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    hours = hours_of([(night, 1, 0), (night + timedelta(hours=1), 2, 0)], BERLIN)
    assert [(hour.start.hour, hour.start.fold, hour.strips) for hour in hours] == [(2, 0, 1), (2, 1, 2)]


def move(hour: int, *, takes: bool, took: bool | None = None, of: str = "records") -> Move:
    return Move(destination=of, at=at(hour), took=(not takes) if took is None else took, takes=takes)


def test_outages_begin_and_end_with_the_door() -> None:
    """A door that closes for another reason is one outage; one that was closed before counts from the beginning, one that still is has no end."""
    moves = [
        move(8, takes=True),
        move(9, takes=False),
        move(10, takes=False, took=False),
        move(11, takes=True),
        move(12, takes=False, of="chart"),
    ]
    assert outages_of(moves, since=DAY) == (
        Outage(destination="records", since=DAY, until=at(8)),
        Outage(destination="records", since=at(9), until=at(11)),
        Outage(destination="chart", since=at(12), until=None),
    )
    assert outages_of([], since=DAY) == ()
