"""When a strip was read, for its place in the count: the printed time, unless the arrival shows that it cannot be.

Nothing of what a strip is or says goes by this: its report, its findings and what it is compared by keep the printed time.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

FARTHEST_AHEAD = timedelta(
    minutes=15
)  # ours: a clock that is set by hand is minutes off; a time further ahead would make what follows it count as late
A_DAY = timedelta(days=1)


def read_at(printed_at: datetime | None, arrived_at: datetime) -> datetime | None:
    """Give the instant (UTC) at which a strip was read; None where the printed time (aware, in the analyzer's zone) cannot tell.

    A time that is more than a day from the arrival, and within a day of it with day and month the other way round, is taken the other way round.
    Any other that lies further ahead of the arrival than a clock may be tells nothing: no strip is read after it arrived.
    """
    if printed_at is None:
        return None
    own, arrived = printed_at.astimezone(UTC), arrived_at.astimezone(UTC)
    if -A_DAY <= own - arrived <= FARTHEST_AHEAD:
        return own
    other = swapped(printed_at)
    if other is not None and abs(own - arrived) > A_DAY and -A_DAY <= other.astimezone(UTC) - arrived <= FARTHEST_AHEAD:
        return other.astimezone(UTC)
    return own if own < arrived else None


def swapped(at: datetime) -> datetime | None:
    """Give the moment with day and month exchanged; None where that is no other day of the year."""
    return at.replace(month=at.day, day=at.month) if at.day <= 12 and at.day != at.month else None  # months of a year
