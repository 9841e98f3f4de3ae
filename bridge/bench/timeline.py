"""The course of a day: strips and stops by the hour, and when a receiver took nothing. Times are aware, UTC, but for the hours of the site."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

HOUR = timedelta(hours=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Hour:
    """An hour of the site's clock: how many strips arrived in it, and how many of them are stopped or could not be read."""

    start: datetime
    strips: int
    stopped: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A receiver's door moved: ``takes`` says whether messages flow since then, ``took`` whether they did before."""

    destination: str
    at: datetime
    took: bool
    takes: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Outage:
    """A receiver took nothing from ``since`` to ``until``; None while it still takes nothing."""

    destination: str
    since: datetime
    until: datetime | None


def hours_of(minutes: Iterable[tuple[datetime, int, int]], zone: ZoneInfo) -> tuple[Hour, ...]:
    """Add up (minute, strips, stopped) to hours of the site's clock, without a hole from the first to the last."""
    found: dict[datetime, tuple[int, int]] = {}
    for at, strips, stopped in minutes:
        local = at.astimezone(zone)
        # of the hour's beginning in UTC: where clocks go back, an hour of the site's clock comes twice
        start = at - timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
        before = found.get(start, (0, 0))
        found[start] = (before[0] + strips, before[1] + stopped)
    if not found:
        return ()
    first, last = min(found), max(found)
    starts = (first + HOUR * each for each in range((last - first) // HOUR + 1))
    return tuple(
        Hour(start=at.astimezone(zone), strips=sums[0], stopped=sums[1]) for at in starts for sums in (found.get(at, (0, 0)),)
    )


def outages_of(moves: Sequence[Move], *, since: datetime) -> tuple[Outage, ...]:
    """Give the times without a receiver since a moment; ``moves`` are of that time, in their order. The newest last."""
    return tuple(sorted(_outages(moves, since), key=lambda each: (each.since, each.destination)))


def _outages(moves: Sequence[Move], since: datetime) -> Iterator[Outage]:
    begun: dict[str, datetime] = {}
    known: set[str] = set()
    for move in moves:
        name = move.destination
        if name not in known and not move.took:  # it took nothing already before
            begun[name] = since
        known.add(name)
        if not move.takes:
            begun.setdefault(name, move.at)
        elif name in begun:
            yield Outage(destination=name, since=begun.pop(name), until=move.at)
    for name, at in begun.items():
        yield Outage(destination=name, since=at, until=None)
