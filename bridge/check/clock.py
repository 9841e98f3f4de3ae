"""Whether a strip's printed time can be believed, by what is known of its analyzer's clock; nothing where the site asks for no such check."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from bridge.bench.believed import read_at, swapped
from bridge.check.rulebook import finding
from bridge.model import ClockFacts, Finding, Place, SeriesState, Severity, StripKey
from bridge.tables.types import ClockRule

HALF_DAY = timedelta(hours=12)
NEAR_HALF_DAY = timedelta(
    minutes=15
)  # ours: a clock that is set by hand to the wrong half of the day is not set to the second either
NEAR_CHANGE = timedelta(days=3)  # trade practice, no source: clocks that are set by hand are set within days of the change
CHANGE_SLACK = timedelta(minutes=5)  # as above: 55 to 65 minutes
SAME_TIME = timedelta(minutes=1)  # as bench/series.py: times printed without seconds
DAY = timedelta(days=1)


def clock_right(
    at: datetime | None, place: Place | None, *, arrived_at: datetime, clock: ClockFacts | None, rule: ClockRule | None
) -> tuple[Finding, ...]:
    """Doubt a time where the clock is known to be off, or the strip itself, sent as it was read, shows a usual cause.

    A strip whose own time agrees with its arrival is believed, whatever the ones before it said: the clock was set right.
    """
    if at is None or clock is None or rule is None:
        return ()
    own = arrived_at.astimezone(UTC) - at.astimezone(UTC)
    limit = timedelta(minutes=rule.hold_minutes)
    if clock.is_fresh and abs(own) <= limit:
        return ()
    named = usual_cause(own, at, arrived_at=arrived_at) if clock.is_fresh else None
    if named is None and clock.offset is not None and abs(clock.offset) > limit:
        named = usual_cause(clock.offset, at, arrived_at=arrived_at) or (
            "time.clock_off",
            f"By its last {clock.strips} strips the analyzer's clock is {off_words(clock.offset)}.",
        )
    return () if named is None else (_weighed(finding(*named, place=place), rule),)


def _weighed(found: Finding, rule: ClockRule) -> Finding:
    return found if rule.stops else replace(found, severity=Severity.NOTE)


def usual_cause(offset: timedelta, at: datetime, *, arrived_at: datetime) -> tuple[str, str] | None:
    """Name the usual cause of an offset (arrival less printed time) as rule and sentence; None where there is none."""
    if abs(offset) <= CHANGE_SLACK:  # no clock is changed by so little, and of most strips there is nothing to ask
        return None
    local = arrived_at.astimezone(at.tzinfo)
    if abs(abs(offset) - HALF_DAY) <= NEAR_HALF_DAY:
        return (
            "time.half_day",
            f"The strip says {_day_clock(at)} and arrived at {_day_clock(local)}: near twelve hours apart, as if morning and afternoon were mixed up.",
        )
    changed = _change_missed(offset, local)
    if changed is not None:
        return "time.clock_change", f"{changed} The strip says {_day_clock(at)} and arrived at {_day_clock(local)}."
    if abs(offset) > DAY and (other := swapped(at)) is not None and abs(local.astimezone(UTC) - other.astimezone(UTC)) <= DAY:
        return (
            "time.day_month",
            f"The strip says {_day_clock(at)}; with day and month the other way round it would be of {other:%Y-%m-%d}, when it arrived.",
        )
    return None


def _change_missed(offset: timedelta, local: datetime) -> str | None:
    """Say that a change of the clocks was not followed, or was followed too early; None where there was none, or of another size."""
    now, before, after = (_utc_offset(local, by) for by in (timedelta(), -NEAR_CHANGE, NEAR_CHANGE))
    if now != before and abs(offset - (now - before)) <= CHANGE_SLACK:
        return "The clocks were changed within the last days, and the analyzer's clock seems not to have been."
    if now != after and abs(offset + (after - now)) <= CHANGE_SLACK:
        return "The clocks will be changed within days, and the analyzer's clock seems to have been already."
    return None


def _utc_offset(local: datetime, by: timedelta) -> timedelta:
    there = (local.astimezone(UTC) + by).astimezone(local.tzinfo).utcoffset()
    assert there is not None  # an aware moment has one
    return there


def order_kept(
    key: StripKey, at: datetime | None, newest: SeriesState | None, *, arrived_at: datetime, rule: ClockRule | None
) -> tuple[Finding, ...]:
    """Doubt a time that is before that of the number before it, in one series: a clock was set back, or one of the two was wrong.

    ``newest`` is the newest strip of the series. One that was ahead of this arrival proves nothing: its own clock was wrong.
    """
    read = read_at(at, arrived_at)
    if (
        at is None
        or read is None
        or rule is None
        or newest is None
        or newest.last_printed_at is None
        or newest.series != key.series
    ):
        return ()
    limit = arrived_at + timedelta(minutes=rule.hold_minutes)
    is_later = key.number.isdigit() and int(key.number) > newest.last_number
    if not is_later or newest.last_printed_at > limit or newest.last_printed_at.astimezone(UTC) - read <= SAME_TIME:
        return ()
    last = newest.last_printed_at.astimezone(at.tzinfo)
    sentence = (
        f"Number {key.number} says {_day_clock(at)}, but number {newest.last_number}, read before it, says {_day_clock(last)}."
    )
    return (_weighed(finding("time.order", sentence), rule),)


def off_words(offset: timedelta) -> str:
    """Say an offset: so much behind where it is positive, else ahead."""
    return f"{size_words(offset)} {'behind' if offset > timedelta() else 'ahead'}"


def size_words(offset: timedelta) -> str:
    """Say how much an offset is, either way: in minutes, or in hours and minutes."""
    minutes = round(abs(offset).total_seconds() / 60)
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if hours else f"{rest} min"


def _day_clock(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"
