"""The reports as pages, on paper and as files."""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from pypdf import PdfReader

from bridge.bench.operators import Operator
from bridge.model import Actor, Format, Priority
from bridge.pages.report_pages import TOPICS
from bridge.store.commands import EndOperator, EnterOperator
from tests.pages.stocked import GOOD, LISBON, Stocked, Visitor

DAY = "/reports/2026-11-25"


@pytest.fixture
def stocked(shelf: Stocked) -> Stocked:
    """Put a routine result there that was acknowledged after 8 s, a STAT that waits, one held and one that cannot go."""
    result = shelf.coded(to=(Format.ORU_R01,), number="1")
    shelf.now += timedelta(seconds=8)
    shelf.answered(result)
    shelf.coded("40700015", to=(Format.ORU_R01,), number="2", priority=Priority.STAT)
    shelf.held(number="3")
    shelf.rejected(number="4")
    return shelf


def text_of(page: str) -> str:
    return " ".join(page.split()).replace("\u00a0", " ")


def test_the_choice_of_a_day_or_month(visitor: Visitor) -> None:
    """This month at first; a day has its day sheet beside it. Every link leads somewhere."""
    month, day = visitor.get("/reports"), visitor.get("/reports?period=2026-11-24")
    assert "Reports: November 2026" in month.text
    assert "Reports: Tuesday, 24 November 2026" in day.text
    assert 'href="/days/2026-11-24"' in day.text
    for topic in TOPICS:
        assert f'href="/reports/2026-11/{topic}"' in month.text
        assert visitor.get(f"/reports/2026-11/{topic}").status_code == 200


@pytest.mark.parametrize("topic", TOPICS)
@pytest.mark.parametrize("period", ["2026-11-25", "2026-11"])
def test_each_report_is_a_page_paper_and_files(stocked: Stocked, visitor: Visitor, topic: str, period: str) -> None:
    """The same tables in each, by their titles; no patient in any."""
    page = visitor.get(f"/reports/{period}/{topic}").text
    paper = visitor.get(f"/reports/{period}/{topic}/report").text
    files = [word.split('"')[0] for word in page.split('href="')[1:] if word.split('"')[0].endswith(".csv")]
    assert files
    for text in (page, paper, *(visitor.get(file).text for file in files)):
        assert GOOD not in text
        assert "40700015" not in text
    assert "It is not over: more may come." in page
    for file in files:
        answer = visitor.get(file)
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        assert answer.text.startswith("site,period,")
        assert all(line.startswith(f"Test Clinic,{period},") for line in answer.text.splitlines()[1:])
    assert not [link for link in files if link in paper]


def test_turnaround_on_the_page_and_on_paper(stocked: Stocked, visitor: Visitor) -> None:
    """What the strips took, the chart with what it shows in words, and what has no answer yet."""
    page = text_of(visitor.get(f"{DAY}/turnaround").text)
    made = PdfReader(io.BytesIO(visitor.get(f"{DAY}/turnaround/report.pdf").content))
    paper = text_of(" ".join(each.extract_text() for each in made.pages))
    for words in ("Of 2 messages 1 had no acknowledgement yet", "20 min 00 s", "8 s", "STAT", "definition 7 of Hyndman and Fan"):
        assert words.replace(" ", "") in page.replace(" ", ""), words
        assert words.replace(" ", "") in paper.replace(" ", ""), words
    assert 'role="img" aria-label="Each stage: the median as a dot' in page
    assert "The table says the same." in page
    assert "Printed 2026-11-25 12:00 WET" in paper


def test_stops_and_operators(stocked: Stocked, visitor: Visitor) -> None:
    """By reason in words; a name that was entered stands beside its number, also when the entry has ended since."""
    entered = EnterOperator(operator=Operator(analyzer="bench-a", number="07", name="Rui Alves", since=stocked.now.date()), actor=Actor(name="Ana", verified="unverified"), at=stocked.now)  # fmt: skip
    operator_id = stocked.store.submit(entered).result(10)
    stocked.store.submit(EndOperator(operator_id=operator_id, reason="left", actor=entered.actor, at=stocked.now)).result(10)
    stops, operators = (text_of(visitor.page(f"{DAY}/{topic}").text) for topic in ("stops", "operators"))
    assert "Patient ID fails its check digit" in stops
    assert "No date and time" in stops
    assert "Rui Alves" in operators
    assert "Rui Alves" in visitor.get(f"{DAY}/operators/numbers.csv").text


@pytest.mark.parametrize(
    "path",
    [
        "/reports?period=today", "/reports/2026-13/stops", "/reports/2026-11-25/salaries", "/reports/2026-11-25/stops/none.csv",
        "/reports/2026-11-26/stops", "/reports/2026-12/turnaround", "/reports/0001-01-01/stops", "/reports/9999-12-31/stops/report.pdf",
    ],
)  # fmt: skip
def test_what_is_no_report(visitor: Visitor, path: str) -> None:
    """An address that names none says what one looks like, or that it is still to come."""
    assert visitor.get(path).status_code == 404


def test_a_day_on_which_the_clocks_change(shelf: Stocked) -> None:
    """25 October 2026 had 25 hours in Lisbon; a strip of its last hour is that day's, one a minute later is the next day's."""
    midnight = datetime(2026, 10, 26, tzinfo=ZoneInfo("Europe/Lisbon"))
    for at in (midnight - timedelta(minutes=1), midnight):
        shelf.now = at
        shelf.held(arrived_at=at)
    shelf.now = midnight + timedelta(hours=9)
    assert shelf.zone == LISBON
    with shelf.serving() as visitor:
        page = visitor.page("/reports/2026-10-25/operators").text
        assert "2026-10-25 had 25 hours: the clocks were changed. An hour that came twice counts as one." in page
        assert visitor.get("/reports/2026-10-25/operators/numbers.csv").text.splitlines()[1].endswith(",1,0,1")
        assert visitor.get("/reports/2026-10/operators/numbers.csv").text.splitlines()[1].endswith(",2,0,2")
        shelf.now = datetime(2026, 3, 30, 9, tzinfo=LISBON)
        assert (
            "2026-03-29 had 23 hours: the clocks were changed. An hour was skipped."
            in visitor.page("/reports/2026-03/stops").text
        )
