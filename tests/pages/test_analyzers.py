"""The page Analyzers over the real judging: how clocks stand in words, on the chart and on Today."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.pages.analyzers import SERIES_WINDOW, missing_lately
from bridge.pages.clock_chart import FEWEST_DRAWN
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from bridge.store.commands import AnswerGap
from bridge.tables.types import ClockRule, Tables
from tests.bench.judged import SUND, Bench
from tests.judging_for_tests import NOW
from tests.pages.stocked import Stocked, finding
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables


def with_rule(rule: ClockRule | None) -> Tables:
    """Give the shipped tables of a site that judges clocks so."""
    made = tables()
    return replace(made, policy=replace(made.policy, clock=rule))


def read(bench: Bench, *behind: int) -> None:
    """Let strips come, a minute apart, of a clock that is so many minutes behind."""
    for minutes in behind:
        at = (NOW + timedelta(minutes=bench.minute + 1 - minutes)).astimezone(ZONE)
        bench.read(bench.patient(at=at))


@pytest.mark.parametrize(
    ("behind", "rule", "words", "today"),
    [
        ((0, 0, 0), ClockRule(), "Its clock is right, by the median of its last 3 strips.", ""),
        ((3, 3, 3, 3), ClockRule(), "Its clock is 3 min behind, by the median of its last 4 strips. Set the clock", "clock 3 min behind"),
        ((3, 3, 3, 3, 3), ClockRule(), "Dashed: the limit of 15 min, behind above and ahead below. One dot is one strip", "clock 3 min behind"),
        ((30, 30, 30), ClockRule(), "Its clock is 30 min behind", "clock 30 min behind"),
        ((30, 30, 30), None, "This site does not judge analyzers' clocks", ""),
        ((0, 0), ClockRule(), "How far its clock is off cannot be told yet: its last strips are too few, or differ too much.", ""),
    ],
)  # fmt: skip
def test_a_clock_stands_in_words(shelf: Stocked, behind: tuple[int, ...], rule: ClockRule | None, words: str, today: str) -> None:
    """Hazard HZ-D08: beyond two minutes it is told, on its page and on Today, with what to do; from five on a strip is drawn for each."""
    bench = Bench(shelf.store, with_rule(rule))
    read(bench, *behind)
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        page = visitor.page("/analyzers")
        assert words in page.text
        assert page.html.count("<title>2026-") == (len(behind) if len(behind) >= FEWEST_DRAWN else 0)
        assert ("clock " in visitor.page("/").text) is bool(today)
        assert today in visitor.page("/").text


def test_an_analyzer_of_files_says_nothing(shelf: Stocked) -> None:
    """A file's arrival is no time of reading."""
    shelf.held(live=False)
    with shelf.serving() as visitor:
        assert (
            "Nothing can be told of its clock: no strip with a time came over a line as it was read."
            in visitor.page("/analyzers").text
        )


def test_before_the_first_strip_there_is_nothing(shelf: Stocked) -> None:
    """A page for the first day too."""
    with shelf.serving() as visitor:
        assert "No analyzer has sent anything yet." in visitor.page("/analyzers").text


def test_a_time_is_corrected_on_the_page(shelf: Stocked) -> None:
    """Hazard HZ-K06: held for the wrong half of the day; the person's time goes with the result, the printed one stays on the strip's page."""
    bench = Bench(shelf.store, with_rule(ClockRule()))
    read(bench, 720)
    (stop,) = shelf.store.stops()
    given = (NOW + timedelta(minutes=1)).astimezone(shelf.zone)
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        path = f"/rejected/{stop.stop_id}/correct-time"
        page = visitor.page(f"/rejected/{stop.stop_id}")
        assert "near twelve hours apart" in page.text
        form = {"name": "Ana", "reason": "AM for PM", "day": f"{given:%Y-%m-%d}", "clock": f"{given:%H:%M}", "which": ""}
        refused = visitor.post(path, **{**form, "clock": "23:59"})
        assert refused.status_code == 409
        assert "It was read before that." in refused.text
        assert 'value="23:59"' in refused.text
        assert visitor.post(path, **form).status_code == 303
        bench.work_off()
        (row,) = shelf.store.results()
        assert "corrected to" in visitor.page(f"/strips/{row.strip_id}").text
        assert "Time of analysis given by Ana" in visitor.page(f"/results/{row.result_id}").text


def test_five_strips_without_an_id_are_five_stops_and_one_finding(shelf: Stocked) -> None:
    """Hazard HZ-K04: each strip is still stopped; the setting that is likely behind them is named once, on Today and on its page."""
    bench = Bench(shelf.store, with_rule(None))
    for _ in range(5):
        assert bench.read(bench.patient(patient_id="")) == ["rejected"]
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        for path in ("/analyzers", "/"):
            text = visitor.page(path).text
            assert text.count("bench-a: entry of the patient ID?") == 1
            assert "The last 5 strips were stopped alike." in text
        assert len(shelf.store.stops()) == 5
        bench.read(bench.patient())
        assert "entry of the patient ID?" not in visitor.page("/analyzers").text


def test_a_wrapped_slip_is_one_finding_and_no_value(shelf: Stocked) -> None:
    """Hazard HZ-K03: stretches that are not laid out as the profile says give no value, each; one finding names the layout."""
    found = finding("read.layout", sentence="A line is cut.")
    for number in range(3):
        shelf.unread(found=found, payload=f"cut {number}".encode())
    with shelf.serving() as visitor:
        assert visitor.page("/analyzers").text.count("bench-a: layout of the print?") == 1
    assert {strip.pads for strip in shelf.store.strips()} == {()}


def test_numbers_that_never_arrived_name_the_output(shelf: Stocked) -> None:
    """Hazards HZ-K01 and HZ-K02: silence, then a jump of numbers: the gap is listed and the likely setting named, with how to send again. HZ-F07."""
    for number in ("1", "6"):
        shelf.coded(number=number)
    with shelf.serving() as visitor:
        text = visitor.page("/analyzers").text
        assert "The numbers 2 to 5 were read and never arrived." in text
        assert "bench-a: automatic output?" in text


def test_an_operator_is_entered_and_ended_on_the_page(shelf: Stocked) -> None:
    """Hazard HZ-D15: the name of who entered it is kept; what cannot be is told in words."""
    shelf.coded()
    entry = {"analyzer": "bench-a", "number": "12", "person": "Ana Reis", "competency_due": "2026-01-31", "name": "Ben"}
    with shelf.serving() as visitor:
        assert "Nobody is entered." in visitor.page("/analyzers").text
        assert visitor.post("/analyzers/operators", **entry).status_code == 303
        again = visitor.post("/analyzers/operators", **entry)
        assert again.status_code == 409
        assert "another entry&#39;s at this analyzer" in again.text
        page = visitor.page("/analyzers")
        assert all(text in page.text for text in ("bench-a 12", "Ana Reis", "2026-11-25"))
        assert '<span class="cannot">2026-01-31</span>' in page.html  # the training was due: it stands out
        (shown,) = shelf.store.operators()
        assert (shown.entered_by, shown.operator.name) == ("Ben", "Ana Reis")
        end = f"/analyzers/operators/{shown.operator_id}/end"
        assert visitor.post(end, name="Ben").status_code == 409
        assert visitor.post(end, name="Ben", reason="left").status_code == 303
        assert shelf.store.operators() == ()
        assert visitor.post("/analyzers/operators", **{**entry, "since": "1 May"}).status_code == 409


def test_numbers_that_lack_since_two_days_are_missing_lately(shelf: Stocked) -> None:
    """HZ-D03: told from the next number on, for two days; what a person accounted for is not, and what arrives after all is none."""
    site = shelf.site()

    def lately(after: timedelta = timedelta()) -> list[tuple[int, int]]:
        return [(part.gap.first, part.gap.last) for part in missing_lately(shelf.store, site, now=shelf.now + after)]

    shelf.coded(number="1")
    assert lately() == []
    shelf.coded(number="5")
    assert lately() == [(2, 4)]
    said = GapAnswer(
        gap=Gap(analyzer="bench-a", mode="all", series="2026-11-25", first=2, last=2),
        end=GapEnd.TYPED_IN,
        by=SUND,
        reason="slip in the folder",
        at=shelf.now,
    )
    shelf.store.submit(AnswerGap(answer=said)).result(WAIT)
    assert lately() == [(3, 4)]
    shelf.coded(number="3")
    assert lately() == [(4, 4)]
    assert lately(SERIES_WINDOW) == [(4, 4)]
    assert lately(SERIES_WINDOW + timedelta(seconds=1)) == []


def test_a_question_that_was_answered_with_no_is_still_missing(shelf: Stocked) -> None:
    """A jump that nobody set by hand: its numbers are gone, and stand there until they are accounted for."""
    site = shelf.site()
    shelf.coded(number="1"), shelf.coded(number="500")
    gap = Gap(analyzer="bench-a", mode="all", series="2026-11-25", first=2, last=499)
    for end, is_missing in ((GapEnd.NOT_SET, True), (GapEnd.SET_BY_HAND, False)):
        answer = GapAnswer(gap=gap, end=end, by=SUND, reason="nobody was there", at=shelf.now)
        shelf.store.submit(AnswerGap(answer=answer)).result(WAIT)
        assert bool(missing_lately(shelf.store, site, now=shelf.now)) is is_missing
