"""What time a strip says it was read: printed date and time to an aware instant, or why not.

A local time that the clocks skipped, or that they showed twice, is a finding; which instant it
stands for meanwhile is written at each case. Formats are strptime's, declared by the profile, never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from functools import lru_cache
from zoneinfo import ZoneInfo

from bridge.check.local_time import local_time
from bridge.model import Printed
from bridge.tables.types import Profile

_CLOCK_DIRECTIVES = ("%H", "%I", "%X", "%c")  # docs.python.org, datetime: the strptime directives that carry an hour
YEARS = range(1900, 9999)  # ours: what strptime takes beyond them has no certain instant in UTC, and is no strip's date


class TimeFault(StrEnum):
    """Why the printed time is not simply an instant."""

    NOT_PRINTED = "not printed"
    MISSING = "missing"
    IMPOSSIBLE = "impossible"
    SKIPPED_HOUR = "skipped hour"
    REPEATED_HOUR = "repeated hour"


@dataclass(frozen=True, kw_only=True, slots=True)
class When:
    """The local day, the instant (aware, in the analyzer's zone), and what is wrong; as far as each is known.

    NOT_PRINTED: the profile declares no full date and time. MISSING: it does, and this record has none.
    """

    day: date | None
    at: datetime | None
    fault: TimeFault | None


def printed_when(profile: Profile, printed_date: Printed | None, printed_time: Printed | None) -> When:
    """Read a strip's printed date and time by its profile."""
    date_text, time_text = printed_date.text if printed_date else "", printed_time.text if printed_time else ""
    return _when(date_text, time_text, profile.date_format, profile.time_format, profile.zone)


@lru_cache(maxsize=1_000)  # ours: a strip asks twice, and the strips of a run are of one minute
def _when(date_text: str, time_text: str, date_format: str, time_format: str, zone: ZoneInfo) -> When:
    is_whole = _declares_instant(date_format, time_format)
    absent = TimeFault.MISSING if is_whole else TimeFault.NOT_PRINTED
    if not date_format or not date_text:
        return When(day=None, at=None, fault=absent)
    try:
        dated = _parse_date(date_text, date_format)
        timed = local_time(time_text, time_format) if time_format and time_text else None
    except ValueError:
        return When(day=None, at=None, fault=TimeFault.IMPOSSIBLE)
    if not is_whole or (time_format and timed is None):
        return When(day=dated.date(), at=None, fault=absent)
    local = datetime.combine(dated.date(), timed.timetz()) if timed else dated
    return _in_zone(local, zone)


def printed_instant(text: str, form: str, zone: ZoneInfo) -> datetime | None:
    """Give the instant of a date and time that are printed in one strptime format (aware, in the zone); None where it is none.

    Of an hour that the clocks showed twice it is the earlier one; one in the hour that they skipped runs on by the old offset.
    """
    return _when(text, "", form, "", zone).at


def _declares_instant(date_format: str, time_format: str) -> bool:
    """Say whether a profile's formats declare a full date and time, in two fields or in one."""
    has_clock = bool(time_format) or any(each in date_format for each in _CLOCK_DIRECTIVES)
    return bool(date_format) and has_clock


def _parse_date(text: str, form: str) -> datetime:
    """Give a date, with a time where the form has one. Raises ValueError, also for a year beyond YEARS."""
    dated = local_time(text, form)
    if dated.year not in YEARS:
        raise ValueError(text)
    return dated


def _in_zone(local: datetime, zone: ZoneInfo) -> When:
    """Put the zone on a local time (an offset that was printed itself is believed)."""
    if local.tzinfo is not None:
        at = local.astimezone(zone)
        return When(day=at.date(), at=at, fault=None)
    first = local.replace(tzinfo=zone, fold=0)
    second = local.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return When(day=local.date(), at=first, fault=None)
    real = first.astimezone(UTC).astimezone(zone)
    if real.replace(tzinfo=None) != local:
        # Skipped: the clock was not yet put forward, so it ran on by the old offset (PEP 495, fold=0 in a gap).
        return When(day=real.date(), at=real, fault=TimeFault.SKIPPED_HOUR)
    # Shown twice: the earlier of the two instants stands for it until a person has looked (PEP 495, fold=0).
    return When(day=local.date(), at=first, fault=TimeFault.REPEATED_HOUR)
