"""The page of day logs over a real store: noted, corrected, missing on Today, a month to print."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.bench.day_log import Degrees, LogLine
from bridge.pages.day_log import degrees_words
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from tests.pages.stocked import LISBON, NOW, Stocked
from tests.tables.shipped_tables import tables

FORM = {"analyzer": "bench-a", "name": "Ben"}


def bench(undone: Undone = Undone.LIST) -> PagesBench:
    """Give the tables of a site at which cleaning and the temperature are due."""
    made = tables()
    rule = DayLogRule(zone=LISBON, due=(DayItem.CLEANING, DayItem.TEMPERATURE), undone=undone)
    return PagesBench(tables=replace(made, policy=replace(made.policy, day_log=rule)), terms=example_terms())


def test_a_morning_is_noted_and_today_asks_no_more(shelf: Stocked) -> None:
    """Hazard HZ-D01: what is due and missing stands on Today until it is noted, with who and when."""
    shelf.coded()
    with shelf.serving(bench=bench()) as visitor:
        assert "bench-a, day log: not noted today: daily cleaning, room temperature." in visitor.page("/").text
        morning = {
            **FORM,
            "cleaning": "in order",
            "temperature": "22.5",
            "scale": "°C",
            "operator": "Ana Reis",
            "done": "2026-11-25T08:15",
        }
        assert visitor.post("/day-log", **morning).status_code == 303
        assert "day log: not noted" not in visitor.page("/").text
        text = visitor.page("/day-log").text
        assert all(each in text for each in ("22.5 °C (72.5 °F)", "Ana Reis", "Ben", "in order"))
        assert [kept.line.item for kept in shelf.store.day_log(since=NOW - timedelta(days=1))] == [
            "cleaning",
            "temperature",
            "operator",
        ]


def test_a_room_that_is_too_warm_stands_on_today_in_both_scales(shelf: Stocked) -> None:
    """Hazard HZ-B03: typed as 88 °F, out of the limits; a line that is not in order too, until a correction or another line."""
    shelf.coded()
    with shelf.serving(bench=bench()) as visitor:
        off = {**FORM, "cleaning": "not in order", "remark": "table scratched", "temperature": "88", "scale": "°F"}
        assert visitor.post("/day-log", **off).status_code == 303
        assert "day log: daily cleaning not in order, room 88 °F (31.1 °C)." in visitor.page("/").text
        cleaning, warm = shelf.store.day_log(since=NOW - timedelta(days=1))
        assert (cleaning.line.remark, warm.line.remark) == ("table scratched", "")
        again = {"found": "in order", "typed": "80", "scale": "°F", "name": "Ana", "reason": "misread"}
        assert visitor.post(f"/day-log/lines/{warm.line_id}", **again).status_code == 303
        assert visitor.post("/day-log", **FORM, cleaning="in order").status_code == 303
        assert "day log: " not in visitor.page("/").text
        page = visitor.page("/day-log")
        assert "<s>88 °F (31.1 °C)</s>" in page.html
        assert "in place of an earlier line: misread" in page.text


@pytest.mark.parametrize(
    ("form", "status", "words"),
    [
        ({**FORM}, 409, "Nothing was filled in."),
        ({**FORM, "name": "", "paper": "in order"}, 409, "Say who you are"),
        ({**FORM, "temperature": "72"}, 409, "choose °C or °F"),
        ({**FORM, "temperature": "72", "scale": "°C"}, 409, "Did you mean 72 °F?"),
        ({**FORM, "temperature": "72", "scale": "K"}, 422, "The scale is °C or °F."),
        ({**FORM, "cleaning": "perhaps"}, 422, "in order or not in order"),
    ],
)
def test_what_cannot_be_is_told(shelf: Stocked, form: dict[str, str], status: int, words: str) -> None:
    """In words, on the page; nothing is kept."""
    with shelf.serving(bench=bench()) as visitor:
        answer = visitor.post("/day-log", **form)
        assert (answer.status_code, words in answer.text) == (status, True)
        assert shelf.store.day_log(since=NOW - timedelta(days=1)) == ()


def test_a_line_that_is_not_there_cannot_be_corrected(shelf: Stocked) -> None:
    """A stale page is told so."""
    shelf.coded()
    with shelf.serving(bench=bench()) as visitor:
        assert visitor.post("/day-log/lines/7", found="in order", name="Ben", reason="r").status_code == 404
        visitor.post("/day-log", **FORM, paper="in order")
        correct = {"found": "entered by mistake", "name": "Ben", "reason": "bench-b"}
        assert visitor.post("/day-log/lines/1", **correct).status_code == 303
        assert visitor.post("/day-log/lines/1", **correct).status_code == 409


def test_a_month_is_printed_with_what_was_corrected(shelf: Stocked) -> None:
    """A row for each day that has begun; who, when and why beside a corrected line; days without a line are empty cells."""
    shelf.coded()
    with shelf.serving(bench=bench()) as visitor:
        visitor.post("/day-log", **FORM, temperature="22,5", scale="°C", done="2026-11-20T09:30")
        visitor.post("/day-log", **FORM, waste="in order")
        (warm, _) = shelf.store.day_log(since=NOW - timedelta(days=30))
        visitor.post(f"/day-log/lines/{warm.line_id}", found="in order", typed="25.5", scale="°C", name="Ana", reason="misread")
        page = visitor.page("/day-log/month?analyzer=bench-a&month=2026-11")
        assert page.html.count('data-head="Day"') == 25
        assert "25.5 °C (77.9 °F) 09:30 Ana" in page.text
        assert (
            "2026-11-20, room temperature: 22,5 °C (72.5 °F) by Ben, now 25.5 °C (77.9 °F) by Ana. Reason: misread" in page.text
        )
        assert "This month has not begun." in visitor.page("/day-log/month?analyzer=bench-a&month=2026-12").text
        assert visitor.get("/day-log/month?analyzer=bench-a&month=2026-13").status_code == 422
        assert visitor.get("/day-log/month?analyzer=bench-a&month=9999-12").status_code == 404


def test_nobody_is_asked_for_an_analyzer_that_rests(shelf: Stocked) -> None:
    """One that is configured and read nothing for a week, or nothing yet, has its log and is not asked for."""
    with shelf.serving(bench=bench()) as visitor:
        assert "bench-a Nothing was noted today." in visitor.page("/day-log").text
        assert "day log: " not in visitor.page("/").text
        shelf.coded()
        assert "day log: " in visitor.page("/").text
        shelf.now += timedelta(days=7)
        assert "day log: " not in visitor.page("/").text
        assert "Nothing was noted today." in visitor.page("/day-log").text


@pytest.mark.parametrize(
    ("undone", "words"),
    [(Undone.LIST, "strips go all the same"), (Undone.NOTE, "go with a note"), (Undone.HOLD, "was not in order, are held")],
)
def test_the_page_says_what_becomes_of_strips(shelf: Stocked, undone: Undone, words: str) -> None:
    """Who reads the page knows what an empty line does."""
    with shelf.serving(bench=bench(undone)) as visitor:
        assert words in visitor.page("/day-log").text


def test_a_temperature_keeps_what_was_typed() -> None:
    """The comma stays a comma; a text without a scale is shown as it is."""
    line = LogLine(analyzer="a", item=DayItem.TEMPERATURE, done_at=NOW, typed="22,5", scale=Degrees.CELSIUS)
    assert degrees_words(line) == "22,5 °C (72.5 °F)"
    assert degrees_words(replace(line, scale=None)) == "22,5"
