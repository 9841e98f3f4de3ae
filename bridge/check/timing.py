"""Rules of the printed date and time. Arrival is the measure, not the time of judging: a strip may wait for days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.check.rulebook import finding
from bridge.check.when import TimeFault, When
from bridge.model import Finding, Place, Printed


def time_legible(when: When, printed_date: Printed | None, printed_time: Printed | None, *, is_live: bool) -> tuple[Finding, ...]:
    """Say whether date and time were printed, exist, and mean one instant.

    ``is_live``: the strip came over a line as it was read, so that its arrival may stand for
    a time that its analyzer never prints.
    """
    printed = [each for each in (printed_date, printed_time) if each and each.text]
    text = " ".join(each.text for each in printed)
    place = Place(start=printed[0].place.start, end=printed[0].place.end) if printed else None
    match when.fault:
        case TimeFault.NOT_PRINTED if is_live:
            return (
                finding("time.arrival_used", "No full date and time is printed; the time of arrival stands for it.", place=place),
            )
        case TimeFault.NOT_PRINTED | TimeFault.MISSING:
            return (finding("time.missing", "The strip has no full date and time.", place=place),)
        case TimeFault.IMPOSSIBLE:
            return (finding("time.impossible", f"“{text}” is not a date and time of this analyzer.", place=place),)
        case TimeFault.SKIPPED_HOUR:
            sentence = (
                f"{text} never was: the clocks went forward over that hour. As it stands it would count as {_clock(when.at)}."
            )
            return (finding("time.skipped_hour", sentence, place=place),)
        case TimeFault.REPEATED_HOUR:
            sentence = (
                f"{text} came twice: the clocks went back over that hour. As it stands it would count as the first of the two."
            )
            return (finding("time.repeated_hour", sentence, place=place),)
        case None:
            return ()


def time_plausible(
    at: datetime | None, place: Place | None, *, arrived_at: datetime, future_tolerance: timedelta, oldest: timedelta
) -> tuple[Finding, ...]:
    """Hold a strip that was read after it arrived, or longer before than the site allows.

    A difference of exactly the tolerance, or exactly the oldest age, is still in order.
    """
    if at is None:
        return ()
    age = arrived_at.astimezone(UTC) - at.astimezone(UTC)  # in UTC: within one zone Python subtracts clock faces
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
