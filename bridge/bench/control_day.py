"""The laboratory's control day, and when controls come due by the clock. The site's wall clock counts, summer time included."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

from bridge.tables.control_table import GatePolicy

_DAY = timedelta(days=1)


def day_of(at: datetime, policy: GatePolicy) -> date:
    """Give the control day of an aware instant: it begins at the policy's hour and is named by the date on which it began."""
    return _day(at.astimezone(policy.zone), policy.day_starts)


def _day(local: datetime, starts: time) -> date:
    return local.date() if local.time() >= starts else local.date() - _DAY


def last_due(after: datetime, until: datetime, policy: GatePolicy) -> datetime | None:
    """Give the last instant, UTC, after ``after`` and not after ``until`` at which controls came due by the clock; None if there is none."""
    return max((each for each in _due_times(until, policy) if after < each <= until), default=None)


def _due_times(until: datetime, policy: GatePolicy) -> Iterator[datetime]:
    """Give the last times of day, in UTC, at which controls came due: those of the two local days before ``until`` and of its own.

    Of any time of day at least one of them has come: one older than those can never be the last.
    """
    clocks = {*policy.shifts, *({policy.day_starts} if policy.each_day else ())}
    today = until.astimezone(policy.zone).date()
    for back in (2, 1, 0):
        for clock in clocks:
            # a time that the clock jumps over comes with the old offset, one that it shows twice comes at its first
            yield datetime.combine(today - back * _DAY, clock, tzinfo=policy.zone).astimezone(UTC)
