"""The time that a report is of: a day or a month of the site's calendar, as an address names it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)
FORM = "A report is of a day, as 2026-11-25, or of a month, as 2026-11."


@dataclass(frozen=True, slots=True)
class Period:
    """The days from ``first`` to ``last``, both included: one day, or a whole month."""

    first: date
    last: date

    @property
    def name(self) -> str:
        """Give it as an address has it: ``2026-11-25`` or ``2026-11``."""
        return f"{self.first:%Y-%m-%d}" if self.is_day else f"{self.first:%Y-%m}"

    @property
    def is_day(self) -> bool:
        """Say whether it is one day; no month has one alone."""
        return self.first == self.last

    @property
    def days(self) -> tuple[date, ...]:
        """Give its days in order."""
        return tuple(self.first + place * _DAY for place in range((self.last - self.first).days + 1))

    @property
    def before(self) -> Period:
        """Give the day or month before."""
        return self._beside(self.first - _DAY)

    @property
    def after(self) -> Period:
        """Give the day or month after."""
        return self._beside(self.last + _DAY)

    @property
    def month(self) -> Period:
        """Give the month that it lies in."""
        return month_of(self.first)

    def _beside(self, day: date) -> Period:
        return Period(day, day) if self.is_day else month_of(day)

    def bounds(self, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """Give when it begins and when the next one does, in UTC, by the site's clock."""
        return begin_of(self.first, zone), begin_of(self.last + _DAY, zone)

    def clock_changes(self, zone: ZoneInfo) -> tuple[tuple[date, int], ...]:
        """Give the days that are not of 24 hours, each with its hours in minutes: clocks were changed on them."""
        lengths = ((day, (begin_of(day + _DAY, zone) - begin_of(day, zone)) // timedelta(minutes=1)) for day in self.days)
        return tuple((day, minutes) for day, minutes in lengths if minutes != _DAY // timedelta(minutes=1))


def month_of(day: date) -> Period:
    """Give the month that a day lies in."""
    first = day.replace(day=1)
    return Period(first, (first + timedelta(days=31)).replace(day=1) - _DAY)


def period_of(name: str) -> Period:
    """Give the period that an address names. Raises ValueError, with the form to use, for anything else."""
    try:
        first = date.fromisoformat(name if len(name) == len("2026-11-25") else f"{name}-01")
    except ValueError as error:
        raise ValueError(FORM) from error
    # fromisoformat takes weeks too; a period has a month before it and one behind it
    found = Period(first, first) if len(name) == len("2026-11-25") else month_of(first) if first.year < date.max.year else None
    if found is None or found.name != name or not date.min.year < first.year < date.max.year:
        raise ValueError(FORM)
    return found


def begin_of(day: date, zone: ZoneInfo) -> datetime:
    """Give the beginning of a local day in UTC."""
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
