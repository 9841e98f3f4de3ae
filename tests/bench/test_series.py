"""A strip's series from its own evidence, whatever the order of arrival."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.series import Evidence, is_same_time, newer, opened_by, series_of
from bridge.model import SeenStrip, SeriesState, StripContent, StripKey
from bridge.tables.types import NumberScheme
from tests.check.tables_for_tests import DAILY, FALL

DAY_1 = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
DAY_2 = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def _evidence(number: int | None, at: datetime | None) -> Evidence:
    return Evidence(number=number, printed_day=at.date() if at else None, printed_at=at, arrived_at=at or DAY_2)


def _seen(number: int, at: datetime, series: str) -> SeenStrip:
    return SeenStrip(
        strip_id=1,
        key=StripKey(analyzer="a", mode="m", series=series, number=str(number)),
        content=StripContent(patient_id="", operator="", strip_type="", strip_lot="", pads=()),
        printed_at=at,
        arrived_at=at,
        record_digest="",
        open_stop=False,
    )


@given(st.integers(0, 10**6), st.datetimes(timezones=st.just(UTC)), st.none() | st.integers(0, 99))
def test_a_daily_series_is_the_printed_day_alone(number: int, at: datetime, last: int | None) -> None:
    """What arrived before, and when, has no part in it."""
    newest = None if last is None else SeriesState(series="2026-11-25", last_number=last, last_printed_at=DAY_2)
    assert series_of(DAILY.numbers, _evidence(number, at), newest=newest, same_number=()) == at.date().isoformat()


def test_without_evidence_there_is_no_series() -> None:
    """No number, or no date, and the strip's place is unknown rather than guessed from what came last."""
    newest = SeriesState(series=opened_by(DAY_1), last_number=5, last_printed_at=DAY_1)
    for scheme in (DAILY.numbers, FALL.numbers):
        assert series_of(scheme, _evidence(6, None), newest=newest, same_number=()) == ""
        assert series_of(scheme, _evidence(None, DAY_2), newest=newest, same_number=()) == ""


def test_a_strip_without_a_time_stands_behind_the_number_before_it() -> None:
    """HZ-D02: an error record that came as it was read, with the very next number; judged again it stays where it was counted."""
    newest = SeriesState(series=opened_by(DAY_1), last_number=5, last_printed_at=DAY_1)

    def place(number: int, **more: object) -> str:
        evidence = replace(_evidence(number, None), **{"is_live": True, **more})  # type: ignore[arg-type]  # evidence's own fields
        return series_of(FALL.numbers, evidence, newest=newest, same_number=())

    assert place(6) == opened_by(DAY_1)
    assert [place(number) for number in (4, 5, 7)] == [
        ""
    ] * 3  # sent again, or behind something that went missing: nobody can tell
    assert place(6, is_live=False) == ""
    assert place(4, placed=opened_by(DAY_2)) == opened_by(DAY_2)
    assert series_of(DAILY.numbers, replace(_evidence(6, None), is_live=True), newest=newest, same_number=()) == opened_by(DAY_1)
    assert series_of(FALL.numbers, replace(_evidence(1, None), is_live=True), newest=None, same_number=()) == ""


def test_a_time_that_cannot_be_opens_no_series_of_its_own() -> None:
    """HZ-D08, HZ-D10: ahead of its arrival a strip counts as read when it came; with day and month exchanged, on the day that it came."""
    newest = SeriesState(series=opened_by(DAY_1), last_number=60, last_printed_at=DAY_1)
    arrived = datetime(2026, 12, 1, 8, 0, tzinfo=UTC)

    def place(number: int, at: datetime, scheme: NumberScheme) -> str:
        return series_of(scheme, replace(_evidence(number, at), arrived_at=arrived), newest=newest, same_number=())

    exchanged = datetime(2026, 1, 12, 7, 59, tzinfo=UTC)
    assert place(61, exchanged, FALL.numbers) == newest.series
    assert place(1, exchanged, FALL.numbers) == "2026-12-01T07:59:00Z"
    assert place(1, exchanged, DAILY.numbers) == "2026-12-01"
    assert place(1, arrived + timedelta(hours=3), FALL.numbers) == opened_by(arrived)
    assert (
        place(1, arrived + timedelta(days=3), DAILY.numbers) == "2026-12-04"
    )  # a daily count is the printed day's, and moves nothing


def test_the_next_number_is_newer_whatever_its_time() -> None:
    """A clock that was set back passes no number over; any other late number is one that came late."""
    known = SeriesState(series="s", last_number=5, last_printed_at=DAY_2)
    back = SeriesState(series="s", last_number=6, last_printed_at=DAY_1)
    assert newer(known, back) == replace(known, last_number=6)
    assert newer(known, replace(back, last_number=7)) == newer(known, replace(back, series="r")) == known
    assert newer(known, replace(back, last_printed_at=DAY_2)) == replace(known, last_number=6)


def test_a_fall_opens_a_series_only_if_time_went_on() -> None:
    """Number 1 after number 60: a new count if printed later, an old strip sent late if printed earlier."""
    newest = SeriesState(series=opened_by(DAY_1), last_number=60, last_printed_at=DAY_1 + timedelta(hours=8))

    def place(number: int, at: datetime) -> str:
        return series_of(FALL.numbers, _evidence(number, at), newest=newest, same_number=())

    assert place(61, DAY_1 + timedelta(hours=9)) == "2026-11-24T08:00:00Z"
    assert place(1, DAY_2) == "2026-11-25T08:00:00Z"
    assert place(60, DAY_2) == "2026-11-24T08:00:00Z"  # the same number again is no fall
    assert place(3, DAY_1 + timedelta(minutes=10)) == "2026-11-24T08:00:00Z"  # late, within the series' time
    assert place(9, DAY_1 - timedelta(days=3)) == "2026-11-21T08:00:00Z"  # late, from a count that we never saw


def test_a_late_resend_finds_its_old_place() -> None:
    """Day one sent again on day two is day one's, though its numbers lie below day two's last."""
    newest = SeriesState(series=opened_by(DAY_2), last_number=60, last_printed_at=DAY_2 + timedelta(hours=8))
    old = DAY_1 + timedelta(minutes=5)
    seen = (_seen(5, DAY_2 + timedelta(minutes=5), opened_by(DAY_2)), _seen(5, old, opened_by(DAY_1)))
    assert series_of(FALL.numbers, _evidence(5, old), newest=newest, same_number=seen) == opened_by(DAY_1)


def test_the_first_strip_ever_opens_its_series() -> None:
    """Without anything before it a strip stands for itself; names sort as the times do."""
    assert series_of(FALL.numbers, _evidence(17, DAY_1), newest=None, same_number=()) == "2026-11-24T08:00:00Z"
    assert opened_by(DAY_1) < opened_by(DAY_1 + timedelta(seconds=1)) < opened_by(DAY_2)


def test_times_are_the_same_within_a_minute_only() -> None:
    """The file prints seconds, the slip does not; two strips of one number are never read within a minute."""
    assert is_same_time(DAY_1, DAY_1 + timedelta(seconds=59))
    assert is_same_time(DAY_1 + timedelta(seconds=59), DAY_1)
    assert not is_same_time(DAY_1, DAY_1 + timedelta(seconds=60))
    assert not is_same_time(None, DAY_1)
    assert not is_same_time(None, None)
