"""Opening hours of a laboratory and quiet hours of a way, on the site's own clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

MOST_JOINED = 8  # ours: a laboratory that never closes counts a week back, and a day more


@dataclass(frozen=True, kw_only=True, slots=True)
class Hours:
    """From ``start`` to ``end`` on each of ``days`` (0 is Monday); an end that is not behind the start is the next day's."""

    days: frozenset[int]
    start: time
    end: time


EVERY_DAY = frozenset(range(7))


def within(hours: Hours, *, now: datetime, zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    """Give start and end (UTC) of the period of ``hours`` that holds ``now``; None outside of them."""
    today = now.astimezone(zone).date()
    return next(
        (span for day in (today, today - timedelta(days=1)) for span in _span(hours, day, zone) if span[0] <= now < span[1]), None
    )


def _span(hours: Hours, day: date, zone: ZoneInfo) -> Iterator[tuple[datetime, datetime]]:
    if day.weekday() in hours.days:
        last = day if hours.start < hours.end else day + timedelta(days=1)
        yield datetime.combine(day, hours.start, zone).astimezone(UTC), datetime.combine(last, hours.end, zone).astimezone(UTC)


def last_of(times: Sequence[time], *, now: datetime, zone: ZoneInfo) -> datetime | None:
    """Give when (UTC) the last of these times of a day was, by the site's clock; None where there is none.

    Where the clock is set back over one, its first coming counts; one that the clock jumps over comes an hour later.
    """
    today = now.astimezone(zone).date()
    found = (datetime.combine(day, each, zone).astimezone(UTC) for day in (today, today - timedelta(days=1)) for each in times)
    return max((each for each in found if each <= now), default=None)


def open_since(opening: Sequence[Hours], *, now: datetime, zone: ZoneInfo) -> datetime | None:
    """Give since when the laboratory has been open without a break; None while it is closed, or says no hours."""
    found: datetime | None = None
    at = now
    for _ in range(MOST_JOINED):
        spans = [span for hours in opening if (span := within(hours, now=at, zone=zone)) is not None]
        if not spans:
            break
        found = min(start for start, _ in spans)
        at = found - timedelta(microseconds=1)
    return found


def quiet_until(quiet: Hours | None, *, now: datetime, zone: ZoneInfo) -> datetime | None:
    """Give when quiet hours end that hold ``now``; None outside of them."""
    span = within(quiet, now=now, zone=zone) if quiet is not None else None
    return span[1] if span else None
