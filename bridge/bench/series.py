"""Which number series a strip belongs to, by the strip's own evidence.

A number alone is no identity: most counters start again each day or after a power cut. The series
is read off the strip (its printed date; or a number that fell while the printed time went on), never off the
order of arrival, so that yesterday's strips sent again today find yesterday's series.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from bridge.model import CheckedReading, SeenStrip, SeriesState
from bridge.tables.types import NumberScheme, SeriesRule

FARTHEST_AHEAD = timedelta(days=1)  # ours: settings allow no larger tolerance of a clock that runs ahead
SAME_TIME = timedelta(minutes=1)  # ours: one layout prints seconds where another of the same analyzer prints minutes only


_NEVER = datetime.min.replace(tzinfo=UTC)  # before every printed time


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What a strip says of its place in time: the local date and, where printed whole, the instant (aware).

    Both are None where nothing (legible) was printed.
    """

    number: int | None
    printed_day: date | None
    printed_at: datetime | None


def series_of(scheme: NumberScheme, evidence: Evidence, *, newest: SeriesState | None, same_number: Iterable[SeenStrip]) -> str:
    """Give the series of a strip; "" where the strip carries too little to tell.

    ``newest`` is the newest series of the same analyzer and mode, ``same_number`` the earlier strips of the same analyzer,
    mode and number. A daily series is named by its ISO date, another by the UTC time of the strip that opened it.
    """
    if evidence.number is None:
        return ""
    if scheme.series is SeriesRule.DAILY:
        return evidence.printed_day.isoformat() if evidence.printed_day else ""
    if evidence.printed_at is None:
        return ""
    return _by_fall(evidence.number, evidence.printed_at, newest, same_number)


def left_by(checked: CheckedReading, *, arrived_at: datetime) -> SeriesState | None:
    """Give the series state that a strip, which is no copy, leaves behind; None where it moves nothing.

    A strip from a clock that runs far ahead moves nothing: every strip after it would count as late for years.
    """
    if not checked.key.series or not checked.key.number.isdigit():
        return None
    if checked.analyzed_at is not None and checked.analyzed_at > arrived_at + FARTHEST_AHEAD:
        return None
    printed_at = (
        checked.analyzed_at.astimezone(UTC) if checked.analyzed_at else None
    )  # in UTC: one zone's clock faces do not sort
    return SeriesState(series=checked.key.series, last_number=int(checked.key.number), last_printed_at=printed_at)


def newer(one: SeriesState | None, other: SeriesState | None) -> SeriesState | None:
    """Give the newer of two states of one analyzer and mode, by series, printed time and number."""
    if one is None or other is None:
        return one or other
    return other if _age(other) > _age(one) else one


def _age(state: SeriesState) -> tuple[str, datetime, int]:
    return state.series, state.last_printed_at or _NEVER, state.last_number


def _by_fall(number: int, printed_at: datetime, newest: SeriesState | None, same_number: Iterable[SeenStrip]) -> str:
    for seen in same_number:
        if seen.key.series and is_same_time(seen.printed_at, printed_at):
            return seen.key.series  # sent again: its old place, however late
    if newest is None or not newest.series or newest.last_printed_at is None:
        return opened_by(printed_at)
    if printed_at > newest.last_printed_at:
        return opened_by(printed_at) if number < newest.last_number else newest.series
    # Late, and never seen before. Inside the newest series' time it belongs there; before it, to an older counting
    # of which this strip is the only evidence: it gets a series of its own and is compared with nobody's number.
    return min(newest.series, opened_by(printed_at))


def opened_by(printed_at: datetime) -> str:
    """Give the name of the series that a strip printed at ``printed_at`` opens; names sort as the times do."""
    return printed_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def is_same_time(one: datetime | None, other: datetime | None) -> bool:
    """Say whether two printed times are the same moment; one of the two may have been printed without seconds."""
    return one is not None and other is not None and abs(one - other) < SAME_TIME
