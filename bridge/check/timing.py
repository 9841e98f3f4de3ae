"""Rules of the printed date and time. Arrival is the measure, not the time of judging: a strip may wait for days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.check.clock import usual_cause
from bridge.check.rulebook import finding
from bridge.check.when import TimeFault, When
from bridge.model import Finding, Place, Printed

A_DAY = timedelta(days=1)


def time_legible(when: When, printed_date: Printed | None, printed_time: Printed | None, *, is_live: bool) -> tuple[Finding, ...]:
    """Say whether date and time were printed, exist, and mean one instant.

    ``is_live``: the strip came over a line as it was read, so that its arrival may stand for
    a time that its analyzer never prints.
    """
    printed = [each for each in (printed_date, printed_time) if each and each.text]
    text = " ".join(each.text for each in printed)
    place = Place(start=printed[0].place.start, end=printed[0].place.end) if printed else None
    if when.fault is None:
        return ()
    rule, sentence = _fault_words(when.fault, text, _clock(when.at), is_live=is_live)
    return (finding(rule, sentence, place=place),)


def _fault_words(fault: TimeFault, text: str, clock: str, *, is_live: bool) -> tuple[str, str]:
    """Give rule and sentence of a fault; ``text`` is what was printed, ``clock`` what it would count as."""
    match fault:
        case TimeFault.NOT_PRINTED if is_live:
            return "time.arrival_used", "No full date and time is printed; the time of arrival stands for it."
        case TimeFault.NOT_PRINTED | TimeFault.MISSING:
            return "time.missing", "The strip has no full date and time."
        case TimeFault.IMPOSSIBLE:
            return "time.impossible", f"“{text}” is not a date and time of this analyzer."
        case TimeFault.SKIPPED_HOUR:
            return (
                "time.skipped_hour",
                f"{text} never was: the clocks went forward over that hour. As it stands it would count as {clock}.",
            )
        case TimeFault.REPEATED_HOUR:
            return (
                "time.repeated_hour",
                f"{text} came twice: the clocks went back over that hour. As it stands it would count as the first of the two.",
            )


def time_plausible(
    at: datetime | None, place: Place | None, *, arrived_at: datetime, future_tolerance: timedelta, oldest: timedelta
) -> tuple[Finding, ...]:
    """Hold a strip that was read after it arrived, or longer before than the site allows.

    A difference of exactly the tolerance, or exactly the oldest age, is still in order. Where it has a usual cause, that is told. A date that is
    the day of arrival with day and month the other way round is held at whatever age: no strip waits just so long.
    """
    if at is None:
        return ()
    age = arrived_at.astimezone(UTC) - at.astimezone(UTC)  # in UTC: within one zone Python subtracts clock faces
    is_outside = -age > future_tolerance or age > oldest
    if is_outside or age > A_DAY:
        named = usual_cause(age, at, arrived_at=arrived_at)
        if named is not None and (is_outside or named[0] == "time.day_month"):
            return (finding(*named, place=place),)
    if -age > future_tolerance:
        local = arrived_at.astimezone(at.tzinfo)
        sentence = f"The strip says {_day_clock(at)}, but it arrived before that, at {_day_clock(local)}."
        return (finding("time.future", sentence, place=place),)
    if age > oldest:
        sentence = f"The strip says {_day_clock(at)}, which is more than {oldest.days} days before it arrived."
        return (finding("time.too_old", sentence, place=place),)
    return ()


def _clock(at: datetime | None) -> str:
    return f"{at:%H:%M}" if at else "another time"


def _day_clock(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"
