"""How long something stopped has waited, in a word. Pure: times are arguments, aware, in UTC."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple


class Age(StrEnum):
    """How long a person's decision has been waited for."""

    NEW = "new"
    WAITING = "waiting"
    LONG = "long"
    VERY_LONG = "very long"


class Span(NamedTuple):
    """The times between which what has an age was stopped: after the first, and at the second or before; None where there is no bound."""

    after: datetime | None
    until: datetime | None


# ours: a technician who looks twice an hour has seen what is older.
HALF_AN_HOUR = timedelta(minutes=30)
# CLSI GP16-A3 (from memory): urine that is neither cooled nor preserved is tested within two hours. What waits longer may need a new specimen.
TWO_HOURS = timedelta(hours=2)
# ours: every shift of a day has passed over it.
A_DAY = timedelta(hours=24)
LIMITS = (HALF_AN_HOUR, TWO_HOURS, A_DAY)
AGES = tuple(Age)


def age(since: datetime, *, now: datetime) -> Age:
    """Give the age of what was stopped at ``since``; what is stopped in the future, by a clock that went back, is new."""
    return AGES[sum(since <= edge for edge in edges(now))]


def edges(now: datetime) -> tuple[datetime, ...]:
    """Give the times that part the ages, the latest first: what was stopped at one or before is older."""
    return tuple(now - limit for limit in LIMITS)


def span(of: Age, *, now: datetime) -> Span:
    """Give the times between which what has this age was stopped."""
    bounds = (None, *edges(now), None)
    place = AGES.index(of)
    return Span(after=bounds[place + 1], until=bounds[place])
