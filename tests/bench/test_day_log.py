"""The day log: what a temperature is, which lines count, and what a day lacks."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.day_log import (
    ITEM_WORDS,
    TELLS,
    Degrees,
    Found,
    KeptLine,
    LogLine,
    celsius,
    in_fahrenheit,
    in_force,
    in_tenths,
    is_a_room,
    is_out,
    missing,
    room_at,
    wrong,
)
from bridge.tables.day_log_table import DayItem, DayLogRule

LISBON = ZoneInfo("Europe/Lisbon")
EIGHT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
DAY = date(2026, 11, 25)
RULE = DayLogRule(zone=LISBON, due=(DayItem.CLEANING, DayItem.REFERENCE, DayItem.TEMPERATURE))
K, C, F = DayItem, Degrees.CELSIUS, Degrees.FAHRENHEIT


def line(item: DayItem = K.CLEANING, minutes: int = 0, **more: object) -> LogLine:
    """Give a line that was done so long after eight."""
    return LogLine(analyzer="bench-a", item=item, done_at=EIGHT + timedelta(minutes=minutes), **more)  # type: ignore[arg-type] # a line's own fields


def kept(line_id: int, of: LogLine, corrects: int | None = None) -> KeptLine:
    """Give a line as the log keeps it."""
    return KeptLine(line_id=line_id, line=of, entered_by="Ana", verified="unverified", entered_at=of.done_at, corrects=corrects)


@pytest.mark.parametrize(
    ("typed", "scale", "degrees"),
    [
        ("0", C, Fraction(0)),
        ("22.5", C, Fraction(45, 2)),
        ("22,5", C, Fraction(45, 2)),
        ("59", F, Fraction(15)),
        ("86", F, Fraction(30)),
        ("68", F, Fraction(20)),
        ("212", F, Fraction(100)),
        ("32", F, Fraction(0)),
        ("-40", F, Fraction(-40)),
        ("-40", C, Fraction(-40)),
    ],
)
def test_a_temperature_is_converted_exactly(typed: str, scale: Degrees, degrees: Fraction) -> None:
    """Water freezes at 32 °F and boils at 212 °F, -40 is the same in both, 68 °F is 20 °C: NIST SP 811 (2008), appendix B.8."""
    assert celsius(typed, scale) == degrees
    assert in_fahrenheit(degrees) == (Fraction(typed) if scale is F else degrees * Fraction(9, 5) + 32)


@pytest.mark.parametrize("typed", ["", "warm", "22.5 °C", "1e1", "22.555", "２２", "1/2", "nan", "+22", "2222"])
def test_what_is_no_number_is_no_temperature(typed: str) -> None:
    """A text is never read as something near it."""
    assert celsius(typed, C) is None
    assert line(K.TEMPERATURE, typed=typed, scale=C).celsius is None


def test_the_limits_are_within() -> None:
    """Hazard HZ-B03: 15 to 30 °C is 59 to 86 °F, both included, whichever scale was typed; 31 °C and 58.9 °F are out."""
    inside = [("15", C), ("30", C), ("59", F), ("86", F)]
    outside = [("14.9", C), ("30.1", C), ("31", C), ("58.9", F), ("86.1", F)]
    for words, expected in ((inside, False), (outside, True)):
        for typed, scale in words:
            degrees = celsius(typed, scale)
            assert degrees is not None
            assert is_out(degrees, low_c=15, high_c=30) is expected, (typed, scale)


def test_a_wrong_scale_is_mostly_no_room() -> None:
    """72 °C and 20 °F are a thermometer read in the other scale; where both are rooms, at least one is far out of the limits."""
    for typed, scale, is_room in (
        ("72", C, False),
        ("20", F, False),
        ("22", C, True),
        ("72", F, True),
        ("50", C, True),
        ("32", F, True),
    ):
        degrees = celsius(typed, scale)
        assert degrees is not None
        assert is_a_room(degrees) is is_room
    for tenths in range(320, 501):
        both = [celsius(f"{tenths // 10}.{tenths % 10}", scale) for scale in (C, F)]
        assert all(each is not None and is_out(each, low_c=15, high_c=30) for each in both)


@given(st.decimals(min_value=-99, max_value=199, places=1, allow_nan=False))
def test_there_and_back_is_the_same(typed: Decimal) -> None:
    """No tenth is lost between the scales."""
    degrees = celsius(str(typed), F)
    assert degrees is not None
    assert in_tenths(in_fahrenheit(degrees)) == typed


def test_tenths_are_rounded_to_the_nearer_one() -> None:
    """For people: 22.25 becomes 22.3, and minus 22.25 minus 22.3."""
    assert [str(in_tenths(Fraction(each))) for each in ("22.24", "22.25", "-22.25", "20")] == ["22.2", "22.3", "-22.3", "20.0"]


def test_a_correction_counts_in_place_of_the_first() -> None:
    """A chain of corrections leaves its last line; a mistake leaves none."""
    first, second = kept(1, line(K.TEMPERATURE, typed="72", scale=C)), kept(2, line(K.TEMPERATURE, typed="72", scale=F), 1)
    third = kept(3, line(K.TEMPERATURE, typed="71", scale=F), 2)
    other = kept(4, line(minutes=-30))
    gone = kept(5, line(found=Found.MISTAKE, minutes=-30), 4)
    assert in_force([first]) == (first,)
    assert in_force([first, second, third]) == (third,)
    assert in_force([first, other]) == (other, first)
    assert in_force([first, other, gone]) == (first,)


def test_a_day_lacks_what_has_no_line_of_that_day() -> None:
    """In the order of the policy, by the calendar of the site; what is not in order was looked at all the same."""
    assert missing([], RULE, DAY) == RULE.due
    lines = [line(K.REFERENCE, found=Found.WRONG, remark="grey"), line(K.WASTE), line(minutes=-600)]
    assert missing(lines, RULE, DAY) == (K.CLEANING, K.TEMPERATURE)
    assert missing(lines, RULE, date(2026, 11, 24)) == (K.REFERENCE, K.TEMPERATURE)
    late = line(minutes=15 * 60 + 59)  # 23:59 in Lisbon, which has UTC in winter
    assert K.CLEANING not in missing([late], RULE, DAY)
    assert K.CLEANING in missing([replace(late, done_at=late.done_at + timedelta(minutes=1))], RULE, DAY)


def test_what_is_wrong_is_wrong_until_a_line_says_otherwise() -> None:
    """Hazard HZ-D01: by the last line of the day before the moment; the day before says nothing."""
    lines = [line(K.REFERENCE, found=Found.WRONG), line(K.REFERENCE, 60), line(K.CLEANING, 90, found=Found.WRONG)]
    told = {minutes: wrong(lines, EIGHT + timedelta(minutes=minutes), LISBON) for minutes in (-1, 0, 59, 60, 90, 60 * 16)}
    assert told == {-1: (), 0: (K.REFERENCE,), 59: (K.REFERENCE,), 60: (), 90: (K.CLEANING,), 960: ()}


def test_the_room_is_as_it_was_measured_last() -> None:
    """Never by a later measurement, and by none that is older than a day."""
    cold, warm = line(K.TEMPERATURE, typed="14", scale=C), line(K.TEMPERATURE, 120, typed="70", scale=F)
    lines = [cold, line(minutes=30), warm]
    assert room_at(lines, EIGHT - timedelta(seconds=1)) is None
    assert room_at(lines, EIGHT + timedelta(minutes=119)) == cold
    assert room_at(lines, warm.done_at + TELLS) == warm
    assert room_at(lines, warm.done_at + TELLS + timedelta(seconds=1)) is None


def test_every_item_has_words() -> None:
    """No line stands without a name on the page."""
    assert set(ITEM_WORDS) == set(DayItem)
