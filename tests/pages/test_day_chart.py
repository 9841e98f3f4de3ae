"""The places of the bars of a day's chart, reckoned by hand, and what Today says of the day's course."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.bench.timeline import Hour
from bridge.lifecycle.states import DestinationState
from bridge.pages.day_chart import FOOT_PX, HEAD_PX, HIGH_PX, HOUR_PX, Bar, day_drawing
from bridge.store.commands import SetDestination
from tests.pages.stocked import NOW, Stocked

START = datetime(2026, 11, 25, 8, tzinfo=UTC)


def test_the_busiest_hour_is_as_tall_as_the_paper() -> None:
    """One strip among many is seen still; an empty hour has no bar and no number."""
    hours = [
        Hour(start=START + timedelta(hours=n), strips=strips, stopped=stopped)
        for n, (strips, stopped) in enumerate([(200, 50), (0, 0), (1, 1)])
    ]
    drawn = day_drawing(hours)
    assert drawn is not None
    assert (drawn.width, drawn.height, drawn.ground) == (3 * HOUR_PX, HEAD_PX + HIGH_PX + FOOT_PX, HEAD_PX + HIGH_PX)
    assert drawn.bars == (
        Bar(x=0, height=HIGH_PX, stopped=HIGH_PX // 4, count="200", hour="08"),
        Bar(x=HOUR_PX, height=0, stopped=0, count="", hour="09"),
        Bar(x=2 * HOUR_PX, height=2, stopped=2, count="1", hour="10"),
    )
    assert drawn.sentence == "201 strips today, 51 of them stopped; most from 08:00, 200"
    assert day_drawing(()) is None


def test_today_shows_the_course_as_a_chart_and_as_a_table(shelf: Stocked) -> None:
    """With the times at which a receiver took nothing."""
    shelf.coded()
    shelf.rejected()
    for minutes, state in ((-50, DestinationState.CLOSED), (-20, DestinationState.OPEN)):
        moved = SetDestination(name="records", state=state, reason="", at=NOW + timedelta(minutes=minutes))
        shelf.store.submit(moved).result(10)
    with shelf.serving() as visitor:
        page = visitor.page("/")
    assert [its["aria-label"] for its in page.all("svg")] == ["2 strips today, 1 of them stopped; most from 12:00, 2"]
    assert "From Strips Stopped 12:00 2 1" in page.text
    assert "records took nothing for 30 min, from 11:10:00 to 11:40:00." in page.text
