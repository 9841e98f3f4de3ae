"""A date and time as a person types them, by the clock on the wall, to the instant that they mean."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from bridge.errors import RefusedAction


def typed_time(day: str, clock: str, *, which: str, zone: ZoneInfo) -> datetime:
    """Give the instant (aware, in ``zone``) of an ISO date and a time of day without offset.

    ``which`` is ``first`` or ``second`` where the clocks showed that time twice; else it does not matter. Raises RefusedAction with a
    sentence for a text that is none, a time that never was, and one that came twice and does not say which.
    """
    try:
        at, on = time.fromisoformat(clock.strip()), date.fromisoformat(day.strip())
    except ValueError as error:
        raise RefusedAction("This is not a date and a time. Write the date as 2026-11-25 and the time as 13:05.") from error
    if at.tzinfo is not None:
        raise RefusedAction("Give the time as the clock on the wall shows it, without an offset.")
    first, second = (datetime.combine(on, at, tzinfo=zone).replace(fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != first.replace(tzinfo=None):
        raise RefusedAction("This time never was: the clocks went forward over it. Give the time by the new clock.")
    if which not in {"first", "second"}:
        raise RefusedAction(
            "This time came twice: the clocks went back over it. Say whether it was the first or the second time."
        )
    return first if which == "first" else second
