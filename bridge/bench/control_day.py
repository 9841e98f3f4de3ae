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


def first_due(after: datetime, until: datetime, policy: GatePolicy) -> datetime | None:
    """Give the first instant, UTC, after ``after`` and not after ``until`` at which controls came due by the clock; None if there is none.

    The first counts, not the last: a time of grace that began anew each morning would let results go without controls for ever.
    """
    return min((each for each in _due_times(after, policy) if after < each <= until), default=None)


def _due_times(after: datetime, policy: GatePolicy) -> Iterator[datetime]:
    """Give the times of day, in UTC, at which controls came due on the local day of ``after`` and on the two that follow.

    Any time of day comes at least once among them behind ``after``: one on a later day can never be the first.
    """
    clocks = {*policy.shifts, *({policy.day_starts} if policy.each_day else ())}
    day = after.astimezone(policy.zone).date()
    for ahead in (0, 1, 2):
        for clock in clocks:
            # a time that the clock jumps over comes with the old offset, one that it shows twice comes at its first
            yield datetime.combine(day + ahead * _DAY, clock, tzinfo=policy.zone).astimezone(UTC)
