"""The places of a clock chart's marks, reckoned by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.clock import Offset
from bridge.pages.clock_chart import FARTHEST, MINUTE_PX, MOST_DRAWN, STRIP_PX, by_words, clock_drawing
from bridge.tables.types import ClockRule

BERLIN = ZoneInfo("Europe/Berlin")


def offset(number: int, minutes: float) -> Offset:
    """Give a strip so many minutes late."""
    return Offset(at=datetime(2026, 11, 25, 9, number % 60, tzinfo=UTC), by=timedelta(minutes=minutes))


def test_marks_stand_above_the_line_where_the_clock_is_behind() -> None:
    """A circle within the limit, a square beyond it, a triangle at the edge for what lies off the paper."""
    drawn = clock_drawing([offset(0, 0), offset(1, 15), offset(2, -16), offset(3, 720)], ClockRule(), BERLIN)
    middle = MINUTE_PX * FARTHEST + STRIP_PX
    assert (drawn.width, drawn.height, drawn.middle) == (5 * STRIP_PX, 2 * middle, middle)
    assert drawn.limits == (middle - 15 * MINUTE_PX, middle + 15 * MINUTE_PX)
    assert [(mark.x, mark.y, mark.shape) for mark in drawn.marks] == [
        (STRIP_PX, middle, "circle"),
        (2 * STRIP_PX, middle - 15 * MINUTE_PX, "circle"),
        (3 * STRIP_PX, middle + 16 * MINUTE_PX, "square"),
        (4 * STRIP_PX, middle - FARTHEST * MINUTE_PX, "triangle"),
    ]
    assert [mark.words for mark in drawn.marks] == [
        "2026-11-25 10:00: right",
        "2026-11-25 10:01: 15 min behind",
        "2026-11-25 10:02: 16 min ahead",
        "2026-11-25 10:03: 12 h 0 min behind",
    ]
    assert drawn.sentence == "The last 4 strips that were sent as they were read: 2 more than 15 min off"
    alone = clock_drawing([offset(0, 16)], ClockRule(), BERLIN)
    assert alone.sentence == "The last strip that was sent as it was read: 1 more than 15 min off"


def test_only_the_last_are_drawn_and_a_far_limit_is_not() -> None:
    """A limit off the paper would be a line at the edge that means nothing."""
    drawn = clock_drawing([offset(number, 0) for number in range(MOST_DRAWN + 5)], ClockRule(hold_minutes=31), BERLIN)
    assert (len(drawn.marks), drawn.marks[0].words[:16], drawn.limits) == (MOST_DRAWN, "2026-11-25 10:05", ())


def test_less_than_a_minute_and_a_half_is_right() -> None:
    """Times printed without seconds cannot say more."""
    assert [by_words(timedelta(seconds=each)) for each in (0, -89, 90, -200)] == ["right", "right", "2 min behind", "3 min ahead"]
