"""On which terms lines of a day log are kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from bridge.bench.day_log import Degrees, Found
from bridge.desk.day_log import DayLogDesk, TypedLine, day_bounds
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from tests.pages.stocked import NOW, Stocked, finding
from tests.tables.shipped_tables import tables

WHO = Actor(name="Ben", verified="unverified")
CLEANED = TypedLine(item=DayItem.CLEANING)
WARM = TypedLine(item=DayItem.TEMPERATURE, typed="22.5", scale=Degrees.CELSIUS)


def desk(shelf: Stocked, undone: Undone | None = None) -> DayLogDesk:
    """Give the desk of a site at which cleaning and the temperature are due, or nothing is."""
    made = tables()
    rule = DayLogRule(zone=shelf.zone, due=(DayItem.CLEANING, DayItem.TEMPERATURE), undone=undone) if undone else None
    return DayLogDesk(shelf.store, replace(made, policy=replace(made.policy, day_log=rule)), shelf.zone, lambda: shelf.now)


@pytest.mark.parametrize(
    ("typed", "more", "sentence"),
    [
        ((CLEANED,), {"actor": Actor(name=" ", verified="unverified")}, "Say who you are"),
        ((CLEANED,), {"analyzer": " "}, "Choose the analyzer."),
        ((), {}, "Nothing was filled in."),
        ((replace(WARM, scale=None),), {}, "Give the room temperature as a number, such as 22.5, and choose °C or °F."),
        ((replace(WARM, typed="warm"),), {}, "Give the room temperature as a number"),
        ((replace(WARM, typed="72"),), {}, "72 °C is not the temperature of a room (0 to 50 °C). Did you mean 72 °F?"),
        ((replace(WARM, typed="20", scale=Degrees.FAHRENHEIT),), {}, "Did you mean 20 °C?"),
        ((replace(CLEANED, scale=Degrees.CELSIUS),), {}, "Only a temperature has a scale."),
        ((TypedLine(item=DayItem.OPERATOR),), {}, "Give the name of the operator of the day."),
        ((replace(CLEANED, found=Found.WRONG),), {}, "Say in the remark what was not in order"),
        ((replace(CLEANED, found=Found.MISTAKE),), {}, "Only a line that stands in the log can be a mistake."),
        ((CLEANED,), {"done": "2026-11-25T12:06"}, "This time is still to come."),
        ((CLEANED,), {"done": "2026-11-18T11:59"}, "This is more than 7 days ago"),
        ((CLEANED,), {"done": "yesterday"}, "This is not a date and a time."),
    ],
)
def test_what_cannot_stand_is_refused_whole(
    shelf: Stocked, typed: tuple[TypedLine, ...], more: dict[str, Any], sentence: str
) -> None:
    """Nothing is kept of it, nor of what was typed beside it. A wrong scale is asked about, never taken."""
    given = {"analyzer": "bench-a", "done": "", "actor": WHO, **more}
    with pytest.raises(RefusedAction) as caught:
        desk(shelf).note(given.pop("analyzer"), typed and (TypedLine(item=DayItem.PAPER), *typed), **given)
    assert sentence in str(caught.value)
    assert shelf.store.day_log(since=NOW - timedelta(days=30)) == ()


def test_a_line_is_done_when_the_person_says(shelf: Stocked) -> None:
    """By the clock on the wall; a browser whose clock is a little ahead has done it now."""
    for done, at in (("", NOW), ("2026-11-25T08:30", NOW - timedelta(hours=3, minutes=30)), ("2026-11-25T12:05", NOW)):
        (line_id,) = desk(shelf).note("bench-a", (CLEANED,), done=done, actor=WHO)
        kept = shelf.store.day_log_line(line_id)
        assert kept is not None
        assert (kept.line.done_at, kept.entered_at, kept.entered_by) == (at, NOW, "Ben")


def test_a_correction_is_of_the_same_item_and_time(shelf: Stocked) -> None:
    """What was typed first stays; a mistake leaves nothing that counts."""
    made = desk(shelf)
    first, second = made.note("bench-a", (WARM, CLEANED), done="2026-11-25T09:00", actor=WHO)
    shelf.now += timedelta(hours=1)
    made.correct(first, replace(WARM, typed="25.2"), reason="misread", actor=WHO)
    made.correct(second, replace(CLEANED, found=Found.MISTAKE), reason="bench-b", actor=WHO)
    *_, warm, gone = shelf.store.day_log(since=NOW - timedelta(days=1))
    assert (warm.line.typed, warm.line.done_at, warm.corrects) == ("25.2", NOW - timedelta(hours=3), first)
    assert (gone.line.found, gone.line.item, gone.corrects, gone.reason) == (Found.MISTAKE, DayItem.CLEANING, second, "bench-b")
    for line_id, typed, reason, sentence in (
        (warm.line_id, CLEANED, "r", "A correction is of the same item."),
        (warm.line_id, replace(WARM, typed="99"), "r", "not the temperature of a room"),
        (warm.line_id, WARM, " ", "Give a reason"),
    ):
        with pytest.raises(RefusedAction, match=sentence):
            made.correct(line_id, typed, reason=reason, actor=WHO)
    for gone_id in (first, 99):
        with pytest.raises(Overtaken):
            made.correct(gone_id, WARM, reason="r", actor=WHO)


def test_only_a_complete_log_frees_what_is_held_for_it(shelf: Stocked) -> None:
    """Hazard HZ-D01: one line of two frees nothing; the second frees that day's strips, at a site that holds them."""
    stop = shelf.held(found=(finding("day_log.missing", sentence="Nobody has noted."),))
    desk(shelf, Undone.HOLD).note("bench-a", (CLEANED,), done="", actor=WHO)
    desk(shelf, Undone.HOLD).note("bench-b", (CLEANED, WARM), done="", actor=WHO)
    desk(shelf, Undone.NOTE).note("bench-a", (CLEANED, WARM), done="2026-11-24T09:00", actor=WHO)
    assert [each.stop_id for each in shelf.store.stops()] == [stop]
    desk(shelf, Undone.HOLD).note("bench-a", (WARM,), done="", actor=WHO)
    assert shelf.store.stops() == ()


def test_a_day_has_as_many_hours_as_the_clock_gave_it(shelf: Stocked) -> None:
    """The day on which summer time ends has twenty-five."""
    since, until = day_bounds(date(2026, 10, 25), shelf.zone)
    assert (since, until) == (datetime(2026, 10, 24, 23, tzinfo=UTC), datetime(2026, 10, 26, tzinfo=UTC))
