"""Which number series a strip belongs to, by the strip's own evidence.

A number alone is no identity: most counters start again each day or after a power cut. The series
is read off the strip (its printed date; or a number that fell while the printed time went on), never off the
order of arrival, so that yesterday's strips sent again today find yesterday's series.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from bridge.bench.believed import read_at
from bridge.model import CheckedReading, SeenStrip, SeriesState
from bridge.tables.types import NumberScheme, SeriesRule

SAME_TIME = timedelta(minutes=1)  # ours: one layout prints seconds where another of the same analyzer prints minutes only


_NEVER = datetime.min.replace(tzinfo=UTC)  # before every printed time


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What a strip says of its place in time: the local date and, where printed whole, the instant (aware, in the analyzer's zone).

    Both are None where nothing (legible) was printed. ``is_live``: it came over a line as it was read. ``placed`` is the series in which it was
    counted when it was judged before, "" where it was not.
    """

    number: int | None
    printed_day: date | None
    printed_at: datetime | None
    arrived_at: datetime
    is_live: bool = False
    placed: str = ""


def series_of(scheme: NumberScheme, evidence: Evidence, *, newest: SeriesState | None, same_number: Iterable[SeenStrip]) -> str:
    """Give the series of a strip; "" where the strip carries too little to tell.

    ``newest`` is the newest series of the same analyzer and mode, ``same_number`` the earlier strips of the same analyzer,
    mode and number. A daily series is named by its ISO date, another by the UTC time of the strip that opened it.
    """
    if evidence.number is None:
        return ""
    for seen in same_number:
        if seen.key.series and is_same_time(seen.printed_at, evidence.printed_at):
            return seen.key.series  # sent again: its old place, however late
    if scheme.series is SeriesRule.DAILY and evidence.printed_day is not None:
        return _day_of(evidence, evidence.printed_day).isoformat()
    if evidence.printed_at is None:
        return _without_time(evidence, newest)
    return _by_fall(evidence.number, read_at(evidence.printed_at, evidence.arrived_at) or evidence.arrived_at, newest)


def left_by(checked: CheckedReading, *, arrived_at: datetime) -> SeriesState | None:
    """Give the series state that a strip, which is no copy, leaves behind; None where it moves nothing.

    Where the printed time cannot be when it was read, the arrival stands for it: every strip after it would count as late else. A day that
    has not come moves nothing: the strips of today would be of an older day.
    """
    if not checked.key.series or not checked.key.number.isdigit():
        return None
    at, read = checked.analyzed_at, read_at(checked.analyzed_at, arrived_at)
    if at is not None and read is None and checked.key.series[:10] > arrived_at.astimezone(at.tzinfo).date().isoformat():
        return None
    return SeriesState(
        series=checked.key.series,
        last_number=int(checked.key.number),
        last_printed_at=read or arrived_at.astimezone(UTC),  # in UTC: one zone's clock faces do not sort
    )


def newer(one: SeriesState | None, other: SeriesState | None) -> SeriesState | None:
    """Give how one analyzer and mode stands after ``one`` was known and ``other`` came: the newer by series, printed time and number.

    The very next number of the same series is newer whatever its time says: a clock was set back, and no number was passed over. The
    latest printed time stays then.
    """
    if one is None or other is None:
        return one or other
    if _age(other) > _age(one):
        return other
    is_next = other.series == one.series and other.last_number == one.last_number + 1
    return replace(one, last_number=other.last_number) if is_next else one


def _age(state: SeriesState) -> tuple[str, datetime, int]:
    return state.series, state.last_printed_at or _NEVER, state.last_number


def _day_of(evidence: Evidence, printed_day: date) -> date:
    """Give the day of a daily series: the printed one, or that day with day and month the other way round where the arrival shows it."""
    at, read = evidence.printed_at, read_at(evidence.printed_at, evidence.arrived_at)
    return printed_day if at is None or read is None or read == at else read.astimezone(at.tzinfo).date()


def _without_time(evidence: Evidence, newest: SeriesState | None) -> str:
    """Give the series of a strip without a time: that of before, else of one that came as it was read with the very next number, the newest."""
    if evidence.placed or newest is None or not evidence.is_live or evidence.number != newest.last_number + 1:
        return evidence.placed
    return newest.series


def _by_fall(number: int, at: datetime, newest: SeriesState | None) -> str:
    if newest is None or not newest.series or newest.last_printed_at is None:
        return opened_by(at)
    if at > newest.last_printed_at:
        return opened_by(at) if number < newest.last_number else newest.series
    # Late, and never seen before. Inside the newest series' time it belongs there; before it, to an older counting
    # of which this strip is the only evidence: it gets a series of its own and is compared with nobody's number.
    return min(newest.series, opened_by(at))


def opened_by(printed_at: datetime) -> str:
    """Give the name of the series that a strip printed at ``printed_at`` opens; names sort as the times do."""
    return printed_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def is_same_time(one: datetime | None, other: datetime | None) -> bool:
    """Say whether two printed times are the same moment; one of the two may have been printed without seconds."""
    return one is not None and other is not None and abs(one - other) < SAME_TIME
